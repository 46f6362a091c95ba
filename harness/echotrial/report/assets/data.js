"use strict";
// The data that the page carries: deflated JSON, whose arrays are base64 of little-endian numbers.

const NO_BIN = 255;
const KIND = { inside: 0, thinner: 1, thicker: 2, dry: 3, wetTip: 4 };

function bytesOf(base64) {
  const text = atob(base64);
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  return bytes;
}

async function readPayload() {
  const bytes = bytesOf(document.getElementById("payload").textContent.trim());
  const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
  return new Response(stream).json();
}

/** One corpus with typed arrays; outcomes, deviations and P(hit) are rows of n, one a detector. */
function corpusOf(packed, outcomes) {
  const as = (Type, text) => new Type(bytesOf(text).buffer);
  const corpus = {
    ...packed,
    outcomes,
    record: as(Uint32Array, packed.record),
    kind: as(Uint8Array, packed.kind),
    wall: as(Float64Array, packed.wall),
    waves: as(Float32Array, packed.waves),
    bound: as(Float32Array, packed.bound),
    outcome: as(Uint8Array, packed.outcome),
    deviation: as(Float32Array, packed.deviation),
    pHit: as(Float32Array, packed.pHit),
    strata: packed.strata.map((s) => ({ ...s, codes: as(Uint8Array, s.codes) })),
  };
  corpus.row = new Map([...corpus.record].map((number, i) => [number, i]));
  corpus.stratum = (name) => corpus.strata.find((s) => s.name === name);
  return corpus;
}

/** Numbers, names and percentages as they stand in tables; a dash where there is none. */
const shown = (value, digits) => (Number.isFinite(value) ? value.toFixed(digits) : "–");
const signed = (value, digits) => (value > 0 ? "+" : "") + shown(value, digits);
/** Three digits, never with an exponent. */
const threeDigits = (value) => new Intl.NumberFormat("en", { minimumSignificantDigits: 3, maximumSignificantDigits: 3, useGrouping: false }).format(value);
const percent = (value) => shown(100 * value, value < 0.0995 ? 2 : 1);
/** A name that plotly shows letter by letter. */
const plain = (text) =>
  String(text).replaceAll("&", "&amp;").replaceAll("<", "&lt;").replaceAll(">", "&gt;");

/** An element with attributes and children; texts are texts, never markup. */
function element(tag, attributes = {}, ...children) {
  const made = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name === "onclick") made.addEventListener("click", value);
    else made.setAttribute(name, value);
  }
  made.append(...children);
  return made;
}
