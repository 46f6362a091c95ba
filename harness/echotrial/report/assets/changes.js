// The page of a comparison: flips as a picture and as a table, and the records behind them.

class Part {
  constructor(node, data, index, payload) {
    Object.assign(this, { node, data, index, payload });
    if (!data.rows.record.length) return;
    this.table();
    this.list(null);
    this.seen = new IntersectionObserver((entries) => entries.some((e) => e.isIntersecting) && this.draw(), { rootMargin: "200px" });
    this.seen.observe(this.part("flips"));
  }

  part(role) { return this.node.querySelector(`[data-role="${role}"]`); }

  /** Counts of flipped records: [was][now]. */
  counts() {
    const { was, now } = this.data.rows, order = new Set([...was, ...now]);
    const names = this.payload.outcomes.flatMap((o) => [o.name, `thick ${o.name}`, `thin ${o.name}`]).filter((n) => order.has(n));
    const cells = names.map((up) => names.map((across) => was.filter((w, i) => w === across && now[i] === up && w !== now[i]).length));
    return { names, cells };
  }

  draw() {
    this.seen.disconnect();
    const { names, cells } = this.counts(), colour = theme(), most = Math.max(1, ...cells.flat());
    const node = this.part("flips"), axis = { type: "category", categoryorder: "array", categoryarray: names, showgrid: false };
    fresh(node);
    put(node, [{ type: "heatmap", x: names, y: names, z: cells.map((row) => row.map((n) => n || null)), colorscale: COUNTS, textfont: { color: "#000" }, zmin: 0, zmax: most, xgap: 1, ygap: 1, texttemplate: "%{z}",
      hovertemplate: "%{z} records: %{x} in A, %{y} in B<extra></extra>", colorbar: { title: { text: "records" }, thickness: 10 } }],
    layoutOf({ height: 360, xaxis: { ...axis, title: { text: "outcome in A" }, tickangle: -40 }, yaxis: { ...axis, title: { text: "outcome in B" } } }, colour),
    (point) => this.list({ was: point.x, now: point.y }));
  }

  table() {
    const { names, cells } = this.counts();
    const rows = names.flatMap((now, y) => names.map((was, x) => ({ was, now, n: cells[y][x] }))).filter((c) => c.n).sort((a, b) => b.n - a.n);
    const button = (c) => element("button", { type: "button", onclick: () => this.list({ was: c.was, now: c.now }) }, String(c.n));
    this.part("flips-table").replaceChildren(head(["in A", "in B", "records"]), element("tbody", {}, ...rows.map((c) => element("tr", {},
      element("th", { scope: "row" }, c.was), element("td", { class: "words" }, c.now), element("td", {}, button(c))))));
  }

  /** List the records of a flip, or the most telling ones of all. */
  list(flip) {
    const { rows } = this.data, node = this.part("records"), body = element("tbody");
    const chosen = rows.record.map((_, i) => i).filter((i) => !flip || (rows.was[i] === flip.was && rows.now[i] === flip.now));
    const picture = element("div", { "data-role": "record" }), more = element("button", { type: "button" }, "");
    let listed = 0;
    const extend = (step) => {
      for (const i of chosen.slice(listed, listed + step)) body.append(this.row(i, picture));
      listed = Math.min(chosen.length, listed + step);
      more.textContent = `Show ${Math.min(STEP, chosen.length - listed)} more`;
      more.hidden = listed >= chosen.length;
    };
    more.addEventListener("click", () => extend(STEP));
    extend(flip ? STEP : 10);
    const words = flip ? `${flip.was} in A, ${flip.now} in B` : "flipped or moved, the most telling first";
    node.replaceChildren(element("h3", {}, "Records"), element("p", { "data-role": "choice" }, `${words}: ${chosen.length} record${chosen.length === 1 ? "" : "s"}`),
      element("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Records found" }, element("table", {},
        head(["record", "turn", "in A", "error in A, um", "in B", "error in B, um", "wall, mm", "echo SNR, dB", "A-scan"]), body)), more, picture);
    if (!flip) return;
    node.scrollIntoView({ block: "nearest" });
    node.focus({ preventScroll: true });
  }

  row(i, picture) {
    const { rows } = this.data, number = rows.record[i], carried = this.payload.embedded[`${this.index}/${number}`];
    const look = carried ? element("button", { type: "button", onclick: () => openFlip(picture, carried) }, "look") : "–";
    return element("tr", { "data-record": number }, element("th", { scope: "row" }, String(number)), element("td", { class: "words" }, rows.turn[i]),
      element("td", { class: "words" }, rows.was[i]), element("td", {}, signed(rows.was_um[i] ?? NaN, 2)), element("td", { class: "words" }, rows.now[i]),
      element("td", {}, signed(rows.now_um[i] ?? NaN, 2)), element("td", {}, shown(rows.thickness_mm[i] ?? NaN, 4)), element("td", {}, shown(rows.echo_snr_db[i] ?? NaN, 1)), element("td", {}, look));
  }
}

function openFlip(node, carried) {
  const title = element("h4", { tabindex: "-1" }, carried.title), plot = element("div", { class: "ascan", "data-role": "ascan" });
  node.replaceChildren(title, plot, readingsTable(carried), truthList(carried));
  drawRecord(plot, carried);
  title.focus({ preventScroll: true });
  node.scrollIntoView({ block: "nearest" });
}

const report = { sections: [], ready: false };
window.echotrialReport = report;

async function begin() {
  const payload = await readPayload();
  showKey(payload.outcomes);
  document.querySelectorAll("section.part").forEach((node, i) => report.sections.push(new Part(node, payload.parts[i], i, payload)));
  const redraw = () => report.sections.forEach((s) => s.data.rows.record.length && s.draw());
  for (const section of report.sections) section.drawAll = () => section.data.rows.record.length && section.draw();
  DARK.addEventListener("change", redraw);
  const printing = (on) => { document.documentElement.classList.toggle("on-paper", on); redraw(); };
  addEventListener("beforeprint", () => printing(true));
  addEventListener("afterprint", () => printing(false));
  report.ready = true;
}

begin();
