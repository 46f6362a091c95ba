// Drawing: numbers to pictures, through the plotting library that the page carries.

const CONFIG = { displaylogo: false, responsive: true, showSendToCloud: false, plotlyServerURL: "",
  displayModeBar: false };
// ColorBrewer's Purples as far as black letters can be read on it; lightness alone tells the value.
const COUNTS = [[0, "#f2f0f7"], [0.5, "#bcbddc"], [1, "#807dba"]];
const LEGEND = { orientation: "h", y: 1.02, yanchor: "bottom", x: 0 };
const DASHES = ["solid", "dash", "dot", "dashdot", "longdash", "longdashdot"];
const POINTS = 400;
/** Pictures narrower than this, in pixels, have no room beside them. */
const NARROW = 420;
const MARKS = ["circle", "square", "diamond", "triangle-up", "triangle-down", "cross", "x", "star", "pentagon", "hexagram", "bowtie"];

const DARK = matchMedia("(prefers-color-scheme: dark)"), COLOURS = new Map();
const onPaper = () => document.documentElement.classList.contains("on-paper");

/** Colours by name. Each scheme's are read once: to ask the browser makes it lay out the page. */
function theme() {
  const scheme = onPaper() ? "paper" : DARK.matches ? "dark" : "light";
  if (!COLOURS.has(scheme)) COLOURS.set(scheme, new Map());
  const known = COLOURS.get(scheme);
  return (name) => {
    if (!known.has(name)) known.set(name, getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim());
    return known.get(name);
  };
}

/** A layout in the page's colours. */
function layoutOf(own, colour = theme()) {
  const axis = { gridcolor: colour("grid"), linecolor: colour("soft"), zerolinecolor: colour("soft") };
  const axes = Object.fromEntries(Object.entries(own).filter(([k]) => /^[xy]axis/.test(k))
    .map(([k, v]) => [k, { ...axis, automargin: v.type === "category", ...v }]));
  return { paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)",
    font: { color: colour("ink"), size: 12, family: "system-ui, DejaVu Sans, sans-serif" },
    margin: { t: 34, r: 12, b: 44, l: 52 }, hovermode: "closest", showlegend: false,
    hoverlabel: { font: { family: "system-ui, DejaVu Sans, sans-serif" } }, ...own, ...axes };
}

function put(node, data, layout, onClick) {
  Plotly.react(node, data, layout, CONFIG);
  if (node.clickWired !== undefined) node.clickWired = onClick;
  else {
    node.clickWired = onClick;
    node.on("plotly_click", (event) => node.clickWired?.(event.points[0]));
  }
}

function note(node, text) {
  if (node.data) Plotly.purge(node);
  node.clickWired = undefined;
  node.classList.add("noted");
  node.replaceChildren(element("p", { class: "note" }, text));
}

function fresh(node) {
  node.classList.remove("noted");
  if (!node.data) node.replaceChildren();
}

/** False-lock rate of one detector over two strata. */
function drawMap(node, corpus, mask, d, across, up, open) {
  if (!across || !up) return note(node, "No map: the truth of this corpus does not say enough.");
  const cells = cellsOf(corpus, mask, d, across, up), colour = theme();
  const most = Math.max(0.02, ...cells.flat().map((c) => (c.n ? c.k / c.n : 0))), narrow = node.clientWidth < NARROW;
  const data = [{ type: "heatmap", x: across.bins, y: up.bins, colorscale: COUNTS, zmin: 0, zmax: 100 * most,
    z: cells.map((row) => row.map((c) => (c.n ? 100 * c.k / c.n : null))), xgap: 1, ygap: 1,
    text: cells.map((row) => row.map((c) => (c.n ? `${c.k}${narrow ? "<br>" : ""}/${c.n}` : ""))), texttemplate: "%{text}", textfont: { size: 10, color: "#000" },
    customdata: cells.map((row, y) => row.map((c, x) => [c.k, c.n, x, y])),
    hovertemplate: "%{customdata[0]} false locks of %{customdata[1]} walls<br>%{x} wavelengths<br>%{y}<extra></extra>",
    colorbar: narrow ? { orientation: "h", y: 1.02, yanchor: "bottom", thickness: 8, title: { text: "false locks, %", side: "top" } }
      : { title: { text: "false<br>locks, %" }, thickness: 10 } }];
  fresh(node);
  put(node, data, layoutOf({ height: 340,
    xaxis: { title: { text: "wall, wavelengths" }, type: "category", categoryorder: "array",
      categoryarray: across.bins, tickangle: -40, tickfont: { size: 10 }, showgrid: false },
    yaxis: { title: { text: plain(up.label) }, type: "category", categoryorder: "array", categoryarray: up.bins,
      tickfont: { size: 10 }, showgrid: false } }, colour),
  (point) => open(d, { bins: { [across.name]: point.customdata[2], [up.name]: point.customdata[3] } }));
}

/** At most so many rows, false locks first, the rest evenly spread. */
function thinned(corpus, d, rows) {
  const wrong = rows.filter((i) => corpus.outcomes[corpus.outcome[d * corpus.n + i]].falseLock);
  const right = rows.filter((i) => !corpus.outcomes[corpus.outcome[d * corpus.n + i]].falseLock);
  const spread = (list, most) => list.length <= most ? list
    : Array.from({ length: Math.max(0, most) }, (_, k) => list[Math.floor((k * list.length) / most)]);
  const kept = spread(wrong, POINTS - Math.min(right.length, POINTS / 4));
  return [...kept, ...spread(right, POINTS - kept.length)];
}

/** Errors over the wall: too thick above, too thin below, each on a logarithmic scale. */
function drawError(node, corpus, mask, d, open) {
  const rows = errorsOf(corpus, mask, d);
  if (!rows.length) { note(node, `${corpus.detectors[d]}: no reading of a wall to show.`); return ""; }
  const drawn = thinned(corpus, d, rows), at = d * corpus.n, least = 0.01, colour = theme();
  const traces = [];
  for (const [sign, axis] of [[1, "y"], [-1, "y2"]]) {
    corpus.outcomes.forEach((o, code) => {
      const own = drawn.filter((i) => corpus.outcome[at + i] === code && (corpus.deviation[at + i] > 0 ? 1 : -1) === sign);
      if (own.length) traces.push({ type: "scatter", mode: "markers", name: o.name, yaxis: axis, legendgroup: o.name, showlegend: !traces.some((t) => t.name === o.name),
        x: own.map((i) => corpus.waves[i]), y: own.map((i) => Math.max(least, Math.abs(corpus.deviation[at + i]))),
        customdata: own, text: own.map((i) => `record ${corpus.record[i]}: ${o.name}, ${signed(corpus.deviation[at + i], 2)} um`),
        marker: { symbol: o.symbol, color: o.colour, size: o.falseLock ? 8 : 5, opacity: o.falseLock ? 1 : 0.7,
          line: { width: o.falseLock ? 0.8 : 0, color: colour("ink") } },
        hovertemplate: "%{text}<extra></extra>" });
    });
    traces.push(...curves(corpus, rows, axis, colour).map((t) => ({ ...t, legendgroup: t.name, showlegend: sign > 0 })));
  }
  const tops = [...rows.map((i) => Math.abs(corpus.deviation[at + i])), 20].reduce((a, b) => Math.max(a, b));
  const range = [Math.log10(least), Math.log10(2 * tops)];
  const axis = { type: "log", dtick: 1, exponentformat: "none" };
  fresh(node);
  put(node, traces, layoutOf({ height: 460, showlegend: true, legend: LEGEND,
    xaxis: { title: { text: "wall, wavelengths" }, anchor: "y2", rangemode: "tozero" },
    yaxis: { ...axis, domain: [0.52, 1], range, title: { text: "too thick, um" } },
    yaxis2: { ...axis, domain: [0, 0.48], range: [range[1], range[0]], title: { text: "too thin, um" } },
    margin: { t: 20, r: 12, b: 44, l: 58 } }, colour),
  (point) => typeof point.customdata === "number" && open(d, { rows: [point.customdata] }));
  return drawn.length < rows.length ? ` ${drawn.length} of ${rows.length} readings are drawn, false locks first.` : "";
}

/** The tolerance and the Cramer-Rao bound, each as a line over the wall. */
function curves(corpus, rows, axis, colour) {
  const sorted = [...rows].sort((a, b) => corpus.waves[a] - corpus.waves[b]);
  const some = sorted.filter((_, k) => k % Math.max(1, Math.floor(sorted.length / 60)) === 0 || k === sorted.length - 1);
  const x = some.map((i) => corpus.waves[i]);
  const tolerance = some.map((i) => Math.max(corpus.relative * corpus.wall[i] * 1e3, corpus.absolute));
  const groups = Array.from({ length: 20 }, (_, k) => sorted.slice(Math.floor((k * sorted.length) / 20), Math.floor(((k + 1) * sorted.length) / 20))
    .filter((i) => Number.isFinite(corpus.bound[i]))).filter((g) => g.length);
  const middle = (values) => values.sort((a, b) => a - b)[Math.floor(values.length / 2)];
  return [
    { type: "scatter", mode: "lines", name: "tolerance", yaxis: axis, x, y: tolerance, fill: "none",
      line: { color: colour("ink"), width: 1.6 }, hovertemplate: "tolerance: %{y:.1f} um<extra></extra>" },
    { type: "scatter", mode: "lines", name: "Cramer-Rao bound", yaxis: axis,
      x: groups.map((g) => middle(g.map((i) => corpus.waves[i]))), y: groups.map((g) => middle(g.map((i) => corpus.bound[i]))),
      line: { color: colour("ink"), width: 1.4, dash: "dot" }, hovertemplate: "Cramer-Rao bound: %{y:.2f} um<extra></extra>" },
  ];
}

/** A line for each detector, the chosen one heavy and named. */
function lines(corpus, chosen, colour, of) {
  return corpus.detectors.map((name, d) => ({ d, name, ...of(d) })).filter((l) => l.x.length)
    .sort((a, b) => (a.d === chosen) - (b.d === chosen)).map((l) => ({
      type: "scatter", name: plain(l.name), x: l.x, y: l.y, mode: "lines+markers",
      text: l.x.map((_, k) => `${plain(l.name)}${l.words ? `: ${l.words[k]}` : ""}`), error_y: l.d === chosen ? l.error : undefined,
      line: { width: l.d === chosen ? 2.6 : 1.2, color: colour(l.d === chosen ? "accent" : "soft"), dash: DASHES[l.d % DASHES.length] },
      marker: { size: 6, symbol: MARKS[l.d % MARKS.length], color: colour(l.d === chosen ? "accent" : "soft"), maxdisplayed: 5 }, hovertemplate: "%{text}<br>%{x:.3f}, %{y:.3f}<extra></extra>" }));
}

function drawRisk(node, corpus, mask, chosen) {
  const colour = theme();
  const data = lines(corpus, chosen, colour, (d) => {
    if (!corpus.hasMap[d]) return { x: [] };
    const found = riskOf(corpus, mask, d);
    const keep = found.risk.map((_, k) => k).filter((k) => k % Math.max(1, Math.floor(found.risk.length / 150)) === 0 || k === found.risk.length - 1);
    return { x: keep.map((k) => found.coverage[k]), y: keep.map((k) => found.risk[k]), words: keep.map((k) => `P(hit) of ${shown(found.threshold[k], 3)} or more`) };
  });
  if (!data.length) return note(node, "No detector has a map of its confidence on this corpus: too few tune readings with a confidence.");
  fresh(node);
  put(node, data, layoutOf({ height: 330, showlegend: true, legend: LEGEND, margin: { t: 20, r: 12, b: 44, l: 52 },
    xaxis: { title: { text: "coverage: share of walls read" }, range: [0, 1.02] }, yaxis: { title: { text: "risk: share of false locks" }, rangemode: "tozero" } }, colour));
}

function drawReliability(node, corpus, mask, chosen) {
  const colour = theme();
  const data = lines(corpus, chosen, colour, (d) => {
    const bins = corpus.hasMap[d] ? reliabilityOf(corpus, mask, d) : [];
    return { x: bins.map((b) => b.stated), y: bins.map((b) => b.observed), words: bins.map((b) => `${b.n} readings`),
      error: { type: "data", symmetric: false, array: bins.map((b) => b.high - b.observed), arrayminus: bins.map((b) => b.observed - b.low), color: colour("accent"), thickness: 1 } };
  });
  if (!data.length) return note(node, "No detector has a map of its confidence on this corpus: too few tune readings with a confidence.");
  data.unshift({ type: "scatter", mode: "lines", name: "as stated", x: [0, 1], y: [0, 1], line: { color: colour("rule"), width: 1 }, hoverinfo: "skip" });
  fresh(node);
  put(node, data, layoutOf({ height: 330, showlegend: true, legend: LEGEND, margin: { t: 20, r: 12, b: 44, l: 52 },
    xaxis: { title: { text: "stated probability of a hit" }, range: [0, 1.02] }, yaxis: { title: { text: "observed share of hits" }, range: [0, 1.02] } }, colour));
}

function drawTime(node, corpus) {
  const known = corpus.seconds.map((s, d) => [s, plain(corpus.detectors[d])]).filter(([s]) => s > 0).reverse();
  if (!known.length) return note(node, "No times were kept.");
  const colour = theme();
  fresh(node);
  put(node, [{ type: "bar", orientation: "h", y: known.map((k) => k[1]), x: known.map((k) => 1e6 * k[0]),
    marker: { color: colour("soft") }, text: known.map((k) => `${threeDigits(1e6 * k[0])} us`), textposition: "auto",
    hovertemplate: "%{y}: %{x:.1f} us<extra></extra>" }],
  layoutOf({ height: 80 + 26 * known.length, xaxis: { title: { text: "us a record" }, rangemode: "tozero" },
    yaxis: { type: "category" }, margin: { t: 10, r: 12, b: 44, l: 52 } }, colour));
}

/** The picture of a record, its samples filled in, in the page's colours. */
function drawRecord(node, packed) {
  const colour = theme();
  const data = packed.picture.data.map((trace) => {
    const echo = /^(interface|back-wall) echo/.exec(trace.name);
    if (echo) return { ...trace, line: { ...trace.line, color: colour(echo[1] === "interface" ? "interface" : "echo") } };
    if (trace.name !== "A-scan") return { ...trace };
    const counts = new Int16Array(bytesOf(packed.samples).buffer);
    return { ...trace, y: Array.from(counts, (c) => c * packed.scale), line: { ...trace.line, color: colour("ink") } };
  });
  const layout = layoutOf({ ...packed.picture.layout, showlegend: true, height: 260 + 24 * packed.readings.length + 90 }, colour);
  Plotly.react(node, data, layout, CONFIG);
}
