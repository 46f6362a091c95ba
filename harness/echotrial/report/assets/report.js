// The page: filters, tables and pictures of every corpus, drawn when they come into view.

const FRAME_MS = 30;

class Section {
  constructor(node, corpus) {
    this.node = node;
    this.corpus = corpus;
    this.filters = {};
    this.mask = maskOf(corpus, {});
    this.waiting = new Map(); // picture -> how to draw it
    this.detector = this.worstDetector();
    this.seen = new IntersectionObserver((entries) => this.come(entries), { rootMargin: "200px" });
    this.open = (d, choice) => listRecords(this.part("records"), corpus, this.mask, d, choice, this.filters);
    if (!corpus.n) return;
    this.makeFilters();
    this.makeDetectors();
    this.update();
  }

  part(role) { return this.node.querySelector(`[data-role="${role}"]`); }

  /** The one with most false locks has most to show. */
  worstDetector() {
    const locks = this.corpus.detectors.map((_, d) => ratesOf(this.corpus, this.mask, d)["false lock"].k);
    return Math.max(0, locks.indexOf(Math.max(...locks)));
  }

  makeFilters() {
    const form = this.part("filters"), more = element("div", { class: "more" });
    this.state = element("p", { class: "state", "aria-live": "polite" });
    for (const stratum of this.corpus.strata) {
      const select = element("select", { "data-stratum": stratum.name }, element("option", { value: "" }, "all"),
        ...stratum.bins.map((bin, i) => element("option", { value: i }, bin)));
      select.addEventListener("change", () => this.filter(stratum.name, select.value));
      (stratum.main ? form : more).append(element("label", {}, stratum.label, select));
    }
    const clear = element("button", { type: "button" }, "All records again");
    clear.addEventListener("click", () => {
      form.querySelectorAll("select").forEach((s) => { s.value = ""; });
      this.filters = {};
      this.update();
    });
    form.append(clear);
    if (more.children.length) form.append(element("details", {}, element("summary", {}, "More strata"), more));
    form.append(this.state);
    form.addEventListener("submit", (event) => event.preventDefault());
  }

  filter(name, value) {
    if (value === "") delete this.filters[name];
    else this.filters[name] = Number(value);
    this.update();
  }

  makeDetectors() {
    const select = this.part("detector");
    select.append(...this.corpus.detectors.map((name, d) => element("option", { value: d }, name)));
    select.value = this.detector;
    select.addEventListener("change", () => { this.detector = Number(select.value); this.pictures(); });
  }

  /** Everything anew: tables at once, pictures when they are in view or when there is time. */
  update() {
    this.mask = maskOf(this.corpus, this.filters);
    const active = Object.entries(this.filters).map(([name, bin]) => `${this.corpus.stratum(name).label} ${this.corpus.stratum(name).bins[bin]}`);
    const kept = sum([...this.mask]);
    this.state.textContent = active.length
      ? `${kept} of ${this.corpus.n} records: ${active.join("; ")}. A stratum holds walls inside the range only.`
      : `All ${this.corpus.n} records.`;
    this.rates();
    this.counts();
    this.pictures();
  }

  /** Without a filter as scored, of every record that the trial has; else counted here. */
  rates() {
    const filtered = Object.keys(this.filters).length > 0;
    for (const row of this.part("rates").tBodies[0].rows) {
      const d = Number(row.dataset.detector), seconds = this.corpus.seconds[d];
      const cell = (measure) => row.querySelector(`[data-measure="${measure}"]`);
      row.scored ??= [...row.cells].map((c) => c.innerHTML);
      if (!filtered) [...row.cells].forEach((c, k) => { c.innerHTML = row.scored[k]; });
      cell("seconds").textContent = seconds > 0 ? threeDigits(1e6 * seconds) : "–";
      if (!filtered) continue;
      const found = ratesOf(this.corpus, this.mask, d);
      for (const measure of ["hit", "dropout", "off", "false lock", "thick false lock"]) {
        const [low, high] = this.interval(found[measure]);
        cell(measure).replaceChildren(percent(found[measure].value),
          ...(Number.isFinite(low) ? [element("span", { class: "between" }, `${percent(low)}–${percent(high)}`)] : []));
      }
      for (const kind of ["phantom dry", "phantom wet tip"]) {
        const { k, n } = found[kind];
        cell(kind).textContent = n ? `${k}/${n}` : "–";
      }
      cell("bias").textContent = signed(found.bias, 2);
      cell("rms").textContent = shown(found.rms, 2);
    }
  }

  /** Wilson's, but none where specimens cluster. */
  interval({ k, n }) {
    return this.corpus.clustered ? [NaN, NaN] : wilson(k, n);
  }

  counts() {
    const all = this.corpus.detectors.map((_, d) => countsOf(this.corpus, this.mask, d).all);
    const present = this.corpus.outcomes.map((_, code) => code).filter((code) => all.some((row) => row[code] > 0));
    const head = element("tr", {}, element("th", { scope: "col" }, "detector"),
      ...present.map((code) => element("th", { scope: "col" }, swatch(this.corpus.outcomes[code]), ` ${this.corpus.outcomes[code].name}`)));
    const rows = this.corpus.detectors.map((name, d) => element("tr", {}, element("th", { scope: "row" }, name),
      ...present.map((code) => this.cell(all[d][code], d, { outcome: code }))));
    this.part("counts").replaceChildren(element("thead", {}, head), element("tbody", {}, ...rows));
  }

  cell(count, d, choice, text = String(count)) {
    const button = element("button", { type: "button", onclick: () => this.open(d, choice) }, text);
    return element("td", {}, count ? button : text);
  }

  pictures() {
    const { corpus, mask, detector: d, open } = this;
    const across = corpus.stratum("wall_wavelengths");
    const snr = corpus.stratum("echo_snr_db") ?? corpus.stratum("snr_db"), gap = corpus.stratum("couplant_gap_um");
    this.wait(this.part("shares"), (node) => {
      this.across = panelsAcross(node, corpus.detectors.length);
      drawShares(node, corpus, mask, open);
    });
    for (const [role, up] of [["map-snr", snr], ["map-gap", gap]]) {
      this.wait(this.part(role), (node) => drawMap(node, corpus, mask, d, across, up, open));
      this.part(`${role}-caption`).textContent = `False locks of ${corpus.detectors[d]} over the wall and the ${up ? up.label : "other stratum"}; a cell says how many of how many walls. Click one to see its records.`;
    }
    this.wait(this.part("error"), (node) => {
      const few = drawError(node, corpus, mask, d, open);
      this.part("error-caption").textContent = `Readings of ${corpus.detectors[d]} less the true wall, too thick above and too thin below; solid line: tolerance, dotted line: Cramer-Rao bound (median). Errors below 0.01 um stand at 0.01.${few ?? ""}`;
    });
    this.wait(this.part("risk"), (node) => drawRisk(node, corpus, mask, d));
    this.wait(this.part("reliability"), (node) => drawReliability(node, corpus, mask, d));
    this.wait(this.part("time"), (node) => drawTime(node, corpus));
    if (across) this.whenOpen(this.part("shares-table"), () => this.sharesTable(across));
    this.whenOpen(this.part("map-snr-table"), () => {
      this.mapTable(this.part("map-snr-table"), across, snr);
      this.mapTable(this.part("map-gap-table"), across, gap);
    });
    this.drawVisible();
  }

  /** A table inside closed details is made when they open. */
  whenOpen(table, make) {
    const details = table.closest("details");
    details.ontoggle = () => { if (details.open) make(); };
    if (details.open) make();
  }

  sharesTable(across) {
    const table = this.part("shares-table");
    const rows = this.corpus.detectors.flatMap((name, d) => {
      const bins = byBin(this.corpus, this.mask, d, across);
      return this.corpus.outcomes.map((o, code) => [o, code]).filter(([, code]) => bins.some((b) => b[code] > 0))
        .map(([o, code]) => element("tr", {}, element("th", { scope: "row" }, `${name}: ${o.name}`),
          ...bins.map((b, i) => this.cell(b[code], d, { bins: { wall_wavelengths: i }, outcome: code }))));
    });
    table.replaceChildren(head([across.label, ...across.bins]), element("tbody", {}, ...rows));
  }

  mapTable(table, across, up) {
    if (!across || !up) return;
    const cells = cellsOf(this.corpus, this.mask, this.detector, across, up);
    table.replaceChildren(head([`${up.label} \\ ${across.label}`, ...across.bins]),
      element("tbody", {}, ...cells.map((row, y) => element("tr", {}, element("th", { scope: "row" }, up.bins[y]),
        ...row.map((c, x) => this.cell(c.n, this.detector, { bins: { [across.name]: x, [up.name]: y } }, c.n ? `${c.k}/${c.n}` : "–"))))));
  }

  // -- pictures wait until they are looked at -----------------------------------------------------

  wait(node, draw) {
    this.waiting.set(node, draw);
    this.seen.observe(node);
  }

  come(entries) {
    for (const entry of entries) if (entry.isIntersecting) this.draw(entry.target);
  }

  draw(node) {
    const draw = this.waiting.get(node);
    if (!draw) return;
    this.waiting.delete(node);
    draw(node);
  }

  inView() {
    return [...this.waiting.keys()].filter((node) => {
      const box = node.getBoundingClientRect();
      return box.bottom > 0 && box.top < innerHeight;
    });
  }

  /** Pictures in view, as many a frame as it has room for: the tables have answered already. */
  drawVisible() {
    if (this.drawing) return;
    this.drawing = true;
    const step = () => {
      const begun = performance.now();
      for (const node of this.inView()) {
        this.draw(node);
        if (performance.now() - begun > FRAME_MS) { requestAnimationFrame(step); return; }
      }
      this.drawing = false;
      this.drawRest();
    };
    requestAnimationFrame(step);
  }

  /** Pictures that were drawn before are brought up to date when there is time. */
  drawRest() {
    const later = window.requestIdleCallback ?? ((f) => setTimeout(f, 1));
    later(() => {
      const next = [...this.waiting.keys()].find((node) => node.data);
      if (!next) return;
      this.draw(next);
      this.drawRest();
    });
  }

  /** Pictures that stand otherwise when the page is wider or narrower. */
  resized() {
    if (this.across && this.across !== panelsAcross(this.part("shares"), this.corpus.detectors.length)) this.pictures();
  }

  drawAll() { for (const node of [...this.waiting.keys()]) this.draw(node); }
}

const report = { sections: [], ready: false };
window.echotrialReport = report;

/** Everything again in other colours. */
function redraw() {
  for (const section of report.sections) if (section.corpus.n) section.pictures();
}

function printing(on) {
  document.documentElement.classList.toggle("on-paper", on);
  redraw();
  if (on) for (const section of report.sections) section.drawAll();
}

async function begin() {
  const payload = await readPayload();
  showKey(payload.outcomes);
  document.querySelectorAll("section.corpus").forEach((node, i) => {
    const corpus = corpusOf(payload.corpora[i], payload.outcomes);
    corpus.trial = payload.trial;
    report.sections.push(new Section(node, corpus));
  });
  DARK.addEventListener("change", redraw);
  addEventListener("resize", () => report.sections.forEach((s) => s.resized()));
  addEventListener("beforeprint", () => printing(true));
  addEventListener("afterprint", () => printing(false));
  report.ready = true;
  report.readyMs = performance.now();
}

begin();
