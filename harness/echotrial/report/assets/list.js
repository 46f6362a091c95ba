// Lists of records and single records, opened by a click or by a button of a table.

const STEP = 25;

const WORDS = new Set(["outcome", "turn", "in A", "in B", "why"]);

/** A row of headings; those above words stand to the left. */
function head(names) {
  return element("thead", {}, element("tr", {}, ...names.map((name) =>
    element("th", { scope: "col", class: WORDS.has(name) ? "words" : "number" }, name))));
}

/** Every outcome with its colour, hatch, word and meaning. */
function showKey(outcomes) {
  document.getElementById("key").replaceChildren(...outcomes.map((o) =>
    element("li", {}, swatch(o), element("strong", {}, o.name), ` ${o.about}`)));
}

/** Rows of corpus that a choice of bins, outcome or rows names, the worst first. */
function rowsOf(corpus, mask, d, choice) {
  if (choice.rows) return choice.rows;
  const found = [], at = d * corpus.n;
  const codes = Object.entries(choice.bins ?? {}).map(([name, bin]) => [corpus.stratum(name).codes, bin]);
  for (let i = 0; i < corpus.n; i++) {
    if (!mask[i] || (codes.length && corpus.kind[i] !== KIND.inside)) continue;
    if (choice.outcome !== undefined && corpus.outcome[at + i] !== choice.outcome) continue;
    if (codes.every(([c, bin]) => c[i] === bin)) found.push(i);
  }
  const badness = (i) => {
    const deviation = Math.abs(corpus.deviation[at + i]);
    return (corpus.outcomes[corpus.outcome[at + i]].falseLock ? 1e9 : 0) + (Number.isFinite(deviation) ? deviation : -1);
  };
  return found.sort((a, b) => badness(b) - badness(a));
}

function choiceWords(corpus, d, choice, filters) {
  const bins = Object.entries({ ...filters, ...(choice.bins ?? {}) })
    .map(([name, bin]) => `${corpus.stratum(name).label} ${corpus.stratum(name).bins[bin]}`);
  const outcome = choice.outcome === undefined ? "all outcomes" : corpus.outcomes[choice.outcome].name;
  return [corpus.detectors[d], outcome, ...bins].join("; ");
}

function lengthWords(corpus, mm) {
  return corpus.unit === "in" ? `${shown(mm / 25.4, 5)} in` : `${shown(mm, 4)} mm`;
}

/** Show the records of a choice as a table in the node. */
function listRecords(node, corpus, mask, d, choice, filters) {
  const rows = rowsOf(corpus, mask, d, choice), at = d * corpus.n;
  const body = element("tbody");
  const more = element("button", { type: "button" }, "");
  const picture = element("div", { "data-role": "record" });
  let listed = 0;
  const extend = () => {
    for (const i of rows.slice(listed, listed + STEP)) body.append(recordRow(corpus, at, i, picture));
    listed = Math.min(rows.length, listed + STEP);
    more.textContent = `Show ${Math.min(STEP, rows.length - listed)} more`;
    more.hidden = listed >= rows.length;
  };
  more.addEventListener("click", extend);
  extend();
  node.replaceChildren(
    element("h3", {}, "Records"),
    element("p", { "data-role": "choice" }, `${choiceWords(corpus, d, choice, choice.rows ? {} : filters)}: ${rows.length} record${rows.length === 1 ? "" : "s"}`),
    element("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Records found" },
      element("table", {}, head(["record", "outcome", "wall", "wavelengths", "reading", "error um", "A-scan"]), body)),
    more, picture);
  node.scrollIntoView({ block: "nearest" });
  node.focus({ preventScroll: true });
  if (rows.length === 1) openRecord(picture, corpus, rows[0]);
}

function recordRow(corpus, at, i, picture) {
  const outcome = corpus.outcomes[corpus.outcome[at + i]], deviation = corpus.deviation[at + i];
  const wall = corpus.wall[i], hasWall = Number.isFinite(wall);
  const direction = hasWall && (outcome.falseLock || outcome.name === "off") ? (deviation > 0 ? ", thick" : ", thin") : "";
  const reading = Number.isFinite(deviation) ? lengthWords(corpus, (hasWall ? wall : 0) + deviation / 1e3) : "none";
  const carried = corpus.embedded[corpus.record[i]];
  const open = element("button", { type: "button", onclick: () => openRecord(picture, corpus, i) }, carried ? "look" : "facts");
  return element("tr", { "data-record": corpus.record[i] },
    element("th", { scope: "row" }, String(corpus.record[i])),
    element("td", { class: "words" }, swatch(outcome), `${outcome.name}${direction}`),
    element("td", {}, hasWall ? lengthWords(corpus, wall) : ["", "", "", "dry", "wet tip"][corpus.kind[i]]),
    element("td", {}, shown(corpus.waves[i], 3)), element("td", {}, reading),
    element("td", {}, hasWall ? signed(deviation, 2) : "–"), element("td", {}, open));
}

/** Facts of a record, and its picture where the page carries it. */
function openRecord(node, corpus, i) {
  const number = corpus.record[i], carried = corpus.embedded[number];
  const where = `echotrial show ${corpus.trial} ${corpus.name}:${number}`;
  const title = carried ? carried.title : `${corpus.name}, record ${number}`;
  const parts = [element("h4", { tabindex: "-1" }, title)];
  const plot = element("div", { class: "ascan", "data-role": "ascan" });
  if (carried) parts.push(plot, readingsTable(carried), truthList(carried));
  else parts.push(element("p", {}, "This A-scan is not in the page; see it with ", element("code", {}, where)), outcomesTable(corpus, i));
  if (carried && corpus.missing) parts.splice(1, 0, element("p", { class: "missing" }, corpus.missing));
  node.replaceChildren(...parts);
  if (carried) drawRecord(plot, carried);
  parts[0].focus({ preventScroll: true });
  node.scrollIntoView({ block: "nearest" });
}

function readingsTable(carried) {
  const rows = carried.readings.map((r) => element("tr", {}, element("th", { scope: "row" }, r.detector),
    element("td", { class: "words" }, r.outcome + (r.direction ? `, ${r.direction}` : "")), element("td", { class: "said" }, r.said),
    element("td", { "data-label": "confidence" }, r.confidence === null ? "–" : shown(r.confidence, 3)), element("td", { class: "words" }, r.why)));
  return element("div", { class: "scroll", tabindex: "0", role: "region", "aria-label": "Readings of the record" },
    element("table", { class: "stacked" }, head(["detector", "outcome", "reading", "confidence", "why"]), element("tbody", {}, ...rows)));
}

function truthList(carried) {
  return element("details", {}, element("summary", {}, "Truth of this record"),
    element("dl", {}, ...carried.truth.flatMap(([name, value]) => [element("dt", {}, name), element("dd", {}, value)])));
}

/** What the columns alone say of a record: every detector's outcome and reading. */
function outcomesTable(corpus, i) {
  const rows = corpus.detectors.map((name, d) => {
    const outcome = corpus.outcomes[corpus.outcome[d * corpus.n + i]], deviation = corpus.deviation[d * corpus.n + i];
    const wall = Number.isFinite(corpus.wall[i]) ? corpus.wall[i] : 0;
    return element("tr", {}, element("th", { scope: "row" }, name), element("td", { class: "words" }, swatch(outcome), outcome.name),
      element("td", {}, Number.isFinite(deviation) ? lengthWords(corpus, wall + deviation / 1e3) : "none"));
  });
  const strata = corpus.strata.filter((s) => s.codes[i] !== NO_BIN).map((s) => `${s.label} ${s.bins[s.codes[i]]}`);
  return element("div", {}, element("table", {}, element("tbody", {}, ...rows)), element("p", { class: "note" }, strata.join("; ")));
}

/** A square in the colour and hatch of an outcome; its word stands beside it. */
function swatch(outcome) {
  const space = "http://www.w3.org/2000/svg";
  const node = document.createElementNS(space, "svg");
  const draw = (tag, attributes) => {
    const made = document.createElementNS(space, tag);
    Object.entries(attributes).forEach(([k, v]) => made.setAttribute(k, v));
    node.append(made);
  };
  Object.entries({ width: 14, height: 14, viewBox: "0 0 14 14", "aria-hidden": "true" }).forEach(([k, v]) => node.setAttribute(k, v));
  draw("rect", { x: 0.5, y: 0.5, width: 13, height: 13, fill: outcome.colour, stroke: "currentColor" });
  const strokes = { "/": "M1 13L13 1", "\\": "M1 1L13 13", x: "M1 1L13 13M1 13L13 1", "-": "M1 7H13", "|": "M7 1V13", "+": "M1 7H13M7 1V13", ".": "M6 7H8" };
  if (strokes[outcome.hatch]) draw("path", { d: strokes[outcome.hatch], stroke: "#000", "stroke-width": 1.4 });
  return node;
}
