// Counting: from columns and a filter to numbers. Nothing here touches the page.

const Z = 1.959963984540054; // two-sided 95 %

/** Score interval of k out of n (Wilson 1927), as in scores.csv. */
function wilson(k, n) {
  if (!(n > 0)) return [NaN, NaN];
  const centre = (k + (Z * Z) / 2) / (n + Z * Z);
  const reach = (Z / (n + Z * Z)) * Math.sqrt((k * (n - k)) / n + (Z * Z) / 4);
  return [k > 0 ? centre - reach : 0, k < n ? centre + reach : 1];
}

/** 1 for every record that the chosen bins let through; `chosen` is stratum name -> bin index. */
function maskOf(corpus, chosen) {
  const mask = new Uint8Array(corpus.n).fill(1);
  for (const [name, bin] of Object.entries(chosen)) {
    const codes = corpus.stratum(name).codes;
    for (let i = 0; i < corpus.n; i++) if (codes[i] !== bin) mask[i] = 0;
  }
  return mask;
}

/** Counts of every outcome among walls in range, walls out of range, dry and wet-tip records. */
function countsOf(corpus, mask, d) {
  const n = corpus.n, m = corpus.outcomes.length;
  const found = { inside: new Float64Array(m), outside: new Float64Array(m),
    dry: new Float64Array(m), wetTip: new Float64Array(m), all: new Float64Array(m) };
  const groups = [found.inside, found.outside, found.outside, found.dry, found.wetTip];
  for (let i = 0; i < n; i++) {
    if (!mask[i]) continue;
    const code = corpus.outcome[d * n + i];
    groups[corpus.kind[i]][code]++;
    found.all[code]++;
  }
  return found;
}

const sum = (values) => values.reduce((a, b) => a + b, 0);

/** What the table of detectors says of one detector under a filter. */
function ratesOf(corpus, mask, d) {
  const counts = countsOf(corpus, mask, d);
  const code = Object.fromEntries(corpus.outcomes.map((o, i) => [o.name, i]));
  const walls = sum(counts.inside) - counts.inside[code.undecided];
  const rate = (k) => ({ k, n: walls, value: walls ? k / walls : NaN });
  const locks = sum(corpus.outcomes.map((o, i) => (o.falseLock ? counts.inside[i] : 0)));
  let thick = 0, errors = 0, total = 0, squares = 0;
  for (let i = 0; i < corpus.n; i++) {
    if (!mask[i] || corpus.kind[i] !== KIND.inside) continue;
    const outcome = corpus.outcomes[corpus.outcome[d * corpus.n + i]];
    const error = corpus.deviation[d * corpus.n + i];
    if (outcome.falseLock && error > 0) thick++;
    if (outcome.right) { errors++; total += error; squares += error * error; }
  }
  const empty = (group) => ({ k: group[code.phantom], n: sum(group) });
  return {
    hit: rate(counts.inside[code.hit]), dropout: rate(counts.inside[code.dropout]),
    off: rate(counts.inside[code.off]), "false lock": rate(locks), "thick false lock": rate(thick),
    "phantom dry": empty(counts.dry), "phantom wet tip": empty(counts.wetTip),
    bias: errors ? total / errors : NaN, rms: errors ? Math.sqrt(squares / errors) : NaN, counts,
  };
}

/** Outcome counts of walls in range by the bins of a stratum: [bin][outcome]. */
function byBin(corpus, mask, d, stratum) {
  const found = stratum.bins.map(() => new Float64Array(corpus.outcomes.length));
  for (let i = 0; i < corpus.n; i++) {
    if (mask[i] && corpus.kind[i] === KIND.inside && stratum.codes[i] !== NO_BIN)
      found[stratum.codes[i]][corpus.outcome[d * corpus.n + i]]++;
  }
  return found;
}

/** False locks and decided walls in every cell of two strata: [row][column] = {k, n}. */
function cellsOf(corpus, mask, d, across, up) {
  const cells = up.bins.map(() => across.bins.map(() => ({ k: 0, n: 0 })));
  for (let i = 0; i < corpus.n; i++) {
    const x = across.codes[i], y = up.codes[i];
    if (!mask[i] || corpus.kind[i] !== KIND.inside || x === NO_BIN || y === NO_BIN) continue;
    const outcome = corpus.outcomes[corpus.outcome[d * corpus.n + i]];
    if (outcome.name === "undecided") continue;
    cells[y][x].n++;
    if (outcome.falseLock) cells[y][x].k++;
  }
  return cells;
}

/** Rows of readings of a detector that have a P(hit), most confident first. */
function confident(corpus, mask, d, wallsOnly) {
  const rows = [];
  for (let i = 0; i < corpus.n; i++) {
    const code = corpus.outcomes[corpus.outcome[d * corpus.n + i]].name;
    const counts = mask[i] && (!wallsOnly || (corpus.kind[i] === KIND.inside && code !== "undecided"));
    if (counts && Number.isFinite(corpus.pHit[d * corpus.n + i])) rows.push(i);
  }
  return rows.sort((a, b) => corpus.pHit[d * corpus.n + b] - corpus.pHit[d * corpus.n + a]);
}

/** Coverage and risk as the threshold falls, a point for each distinct P(hit). */
function riskOf(corpus, mask, d) {
  let walls = 0;
  for (let i = 0; i < corpus.n; i++) {
    const name = corpus.outcomes[corpus.outcome[d * corpus.n + i]].name;
    if (mask[i] && corpus.kind[i] === KIND.inside && name !== "undecided") walls++;
  }
  const rows = confident(corpus, mask, d, true), found = { coverage: [], risk: [], threshold: [] };
  let locks = 0;
  rows.forEach((i, rank) => {
    if (corpus.outcomes[corpus.outcome[d * corpus.n + i]].falseLock) locks++;
    const p = corpus.pHit[d * corpus.n + i];
    if (rank + 1 < rows.length && corpus.pHit[d * corpus.n + rows[rank + 1]] === p) return;
    found.coverage.push((rank + 1) / walls);
    found.risk.push(locks / (rank + 1));
    found.threshold.push(p);
  });
  return found;
}

function quantile(sorted, q) {
  const at = q * (sorted.length - 1), low = Math.floor(at), high = Math.ceil(at);
  return sorted[low] + (sorted[high] - sorted[low]) * (at - low);
}

/** Stated against observed share of hits in at most ten bins of equal count. */
function reliabilityOf(corpus, mask, d) {
  const rows = confident(corpus, mask, d, false).reverse();
  if (!rows.length) return [];
  const p = rows.map((i) => corpus.pHit[d * corpus.n + i]);
  const edges = [...new Set(Array.from({ length: 11 }, (_, i) => quantile(p, i / 10)))].slice(1, -1);
  const bins = new Map();
  rows.forEach((i, rank) => {
    const which = edges.filter((e) => e <= p[rank]).length;
    const bin = bins.get(which) ?? { n: 0, k: 0, stated: 0 };
    bin.n++;
    bin.stated += p[rank];
    if (corpus.outcomes[corpus.outcome[d * corpus.n + i]].name === "hit") bin.k++;
    bins.set(which, bin);
  });
  return [...bins.entries()].sort((a, b) => a[0] - b[0]).map(([, b]) => {
    const [low, high] = wilson(b.k, b.n);
    return { stated: b.stated / b.n, observed: b.k / b.n, low, high, n: b.n };
  });
}

/** Readings of a detector with an error: walls, in or out of range. */
function errorsOf(corpus, mask, d) {
  const rows = [];
  for (let i = 0; i < corpus.n; i++) {
    if (mask[i] && corpus.kind[i] <= KIND.thicker && Number.isFinite(corpus.deviation[d * corpus.n + i]))
      rows.push(i);
  }
  return rows;
}
