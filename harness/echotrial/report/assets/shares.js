// Outcome shares over the wall: every detector a panel of one figure, for a figure costs the
// plotting library much more than a bar. Panels of a row stand side by side on one pair of axes.

/** Heights in pixels: of a panel, of the space for its name, of the labels of its bins. */
const PANEL = { height: 140, name: 30, labels: 64 };
/** Pixels that a panel wants across, and the most that stand side by side. */
const PANEL_WIDTH = 230, MOST_ACROSS = 4;
/** What a row of panels may take of a sheet of paper, in pixels of its height. */
const SHEET = 820;

/** How many panels stand side by side in a picture: one on a phone. */
function panelsAcross(node, detectors) {
  const room = node.clientWidth < NARROW ? 1 : Math.floor(node.clientWidth / PANEL_WIDTH);
  return Math.max(1, Math.min(room, MOST_ACROSS, detectors));
}

/** Where panels and bars stand: columns in units of bins, rows as shares of the figure's height. */
function gridOf(node, detectors, bins) {
  const across = panelsAcross(node, detectors), rows = Math.ceil(detectors / across), step = 1.12 * bins;
  const edge = (panels) => (panels - 1) * step + bins - 0.5, gap = PANEL.name + (across === 1 ? PANEL.labels : 0);
  const tall = rows * (PANEL.height + gap) - gap;
  const height = onPaper() ? Math.min(tall, SHEET) : tall, unit = 1 / tall;
  return { across, rows, step, height,
    panels: (row) => Array.from({ length: Math.min(across, detectors - row * across) }, (_, c) => row * across + c),
    left: (d) => (d % across) * step,
    x: (row, panels) => ({ domain: [0, (edge(panels) + 0.5) / (edge(across) + 0.5)], range: [-0.5, edge(panels)] }),
    y: (row) => [1 - (row * (PANEL.height + gap) + PANEL.height) * unit, 1 - row * (PANEL.height + gap) * unit].map((v) => Math.max(0, v)),
    /** A panel says its bins unless the one below does. */
    labelled: (d) => across === 1 || d + across >= detectors };
}

/** A name that fits over a panel; the whole of it shows on a bar. */
function fitting(name, pixels) {
  const most = Math.max(8, Math.floor(pixels / 7));
  return plain(name.length > most ? `${name.slice(0, most - 1)}…` : name);
}

/** Bars of one outcome in a row of panels, those alone that hold a record. */
function barsOf(corpus, counts, grid, stratum, panels, code) {
  const o = corpus.outcomes[code], found = { x: [], y: [], hovertext: [], customdata: [] };
  for (const d of panels) counts[d].forEach((bin, i) => {
    if (!bin[code]) return;
    const total = sum(bin);
    found.x.push(grid.left(d) + i);
    found.y.push(100 * bin[code] / total);
    found.hovertext.push(`${plain(corpus.detectors[d])}<br>${o.name}: ${bin[code]} of ${total}<br>${stratum.bins[i]} wavelengths`);
    found.customdata.push([bin[code], total, code, i, d]);
  });
  return found;
}

/** Outcome shares over the wall, stacked, of every detector. */
function drawShares(node, corpus, mask, open) {
  const stratum = corpus.stratum("wall_wavelengths");
  if (!stratum) return note(node, "No walls to show.");
  const bins = stratum.bins, grid = gridOf(node, corpus.detectors.length, bins.length), colour = theme();
  const counts = corpus.detectors.map((_, d) => byBin(corpus, mask, d, stratum));
  const data = [], axes = {}, margin = { t: PANEL.name, r: 12, b: PANEL.labels + 22, l: 52 };
  const wide = (node.clientWidth - margin.l - margin.r) / grid.across;
  for (let row = 0; row < grid.rows; row++) {
    const panels = grid.panels(row), suffix = row ? row + 1 : "", own = { xaxis: `x${suffix}`, yaxis: `y${suffix}` };
    corpus.outcomes.forEach((o, code) => {
      const bars = barsOf(corpus, counts, grid, stratum, panels, code);
      if (bars.x.length) data.push({ type: "bar", name: o.name, ...bars, ...own, width: 0.88, hovertemplate: "%{hovertext}<extra></extra>",
        marker: { color: o.colour, line: { width: 0.5, color: colour("paper") },
          pattern: { shape: o.hatch, fgcolor: "#000", fgopacity: 0.55, size: 6, solidity: 0.18, fillmode: "overlay" } } });
    });
    data.push({ type: "scatter", mode: "text", name: "detectors", ...own, x: panels.map((d) => grid.left(d) - 0.5), y: panels.map(() => 100),
      text: panels.map((d) => fitting(corpus.detectors[d], wide)), textposition: "top right", textfont: { size: 13 }, cliponaxis: false, hoverinfo: "skip" });
    const labelled = panels.filter(grid.labelled);
    axes[`xaxis${suffix}`] = { ...grid.x(row, panels.length), anchor: own.yaxis, fixedrange: true, showgrid: false, zeroline: false,
      tickvals: labelled.flatMap((d) => bins.map((_, i) => grid.left(d) + i)), ticktext: labelled.flatMap(() => bins), tickangle: -40, tickfont: { size: 10 },
      title: { text: row === grid.rows - 1 ? "wall, wavelengths" : "" } };
    axes[`yaxis${suffix}`] = { domain: grid.y(row), anchor: own.xaxis, fixedrange: true, range: [0, 100], dtick: 50, title: { text: "%" } };
  }
  fresh(node);
  put(node, data, layoutOf({ barmode: "stack", height: grid.height + margin.t + margin.b, margin, ...axes }, colour), (point) => {
    const [, , outcome, bin, d] = point.customdata;
    open(d, { bins: { wall_wavelengths: bin }, outcome });
  });
}
