// One roast under review: its sound as a strip, its doubtful cracks as cards, its moments to be moved. What is said shows
// at once and goes to the computer in order, which keeps it in the log and answers with how it then stands.
"use strict";

// A card holds so much sound, the crack in its middle, seconds; a moment that was moved is played with so much around.
const CARD_S = 2, AROUND_S = 1.5;
// Below and above it there is little of a crack, Hz.
const BAND_HZ = [1000, 12000];
const SLOWER = 0.4;
// Where keys move a moment, it is told to the computer when they have rested for so long, milliseconds.
const REST_MS = 700;
const TILES = 160, AT_ONCE = 3;
// dB over the noise that are drawn in the first and in the last tone.
const TONES_DB = [0, 18];
const CLOSEST_S = 0.05;
// A crack is added at the loudest sound so near to the cursor, pixels; where that is longer than this, seconds, it would
// be anybody's guess which sound was meant.
const POINTED_PX = 12, POINTED_S = 0.1;

const picture = element("picture"), close = element("close");
let roast = null; // all that the computer said
let view = { from: 0, to: 1 }, cursor = 0, chosen = null;
// Those that were heard, sounds almost taken for one (unsaid), those that a person added: rows of seconds, kind, certainty.
let cracks = [];
let moving = null; // { what, at, timer }: a moment under the finger
let begun = false, slow = false, band = false, singleKeys = true;
let acts = 0; // of the person: keys and presses
for (const kind of ["keydown", "pointerdown"]) document.addEventListener(kind, () => acts++, true);

const clamp = (value, low, high) => Math.min(high, Math.max(low, value));
const rate = () => roast.sound.samplerate;
const duration = () => roast.sound.length / rate();

function clock(seconds, places = 0) {
  const ticks = Math.round(Math.abs(seconds) * 10 ** places), whole = Math.floor(ticks / 10 ** places);
  const text = `${Math.floor(whole / 60)}:${String(whole % 60).padStart(2, "0")}`;
  const rest = places ? "." + String(ticks % 10 ** places).padStart(places, "0") : "";
  return (seconds < 0 && ticks ? "-" : "") + text + rest;
}
// Since charge, where that is known; charge itself is told from the first sample.
const timeOf = (at, places) => clock(at - (roast.charge || 0), places);
const timeOfMark = (mark, at, places) => (mark.what === "charge" ? clock(at, places) : timeOf(at, places));

// -- what the computer says, and what it is told -----------------------------------------------------------------

async function load() {
  try {
    const answer = await fetch("/roast", { cache: "no-store" });
    if (!answer.ok) throw new Error("the computer does not know this page any more; start it again there");
    roast = await answer.json();
  } catch (error) {
    write("trouble", `The roast cannot be shown: ${error.message}.`);
    return;
  }
  write("title", roast.title);
  write("roast", `${roast.roast}${roast.by ? `; what you say stands under the name ${roast.by}` : ""}`);
  document.title = `${roast.title}, ${roast.roast}`;
  picture.setAttribute("aria-valuemax", duration().toFixed(1));
  const start = roast.marks.find((mark) => mark.what === "first_crack.start");
  cursor = start.at === null ? 0 : start.at;
  view = { from: 0, to: duration() };
  stand();
  document.body.className = "ready";
}

// Said and not in the log yet, in order: { say, words, done }, and what the page shows of it meanwhile: { place, is } of
// an answer, { mark, at } of a moment.
const unsent = [];
let telling = false;

// say: gives what is sent when its turn has come, nothing where nothing is to be said any more. Whether it was taken.
function tell(say, words, shows = {}) {
  return new Promise((done) => {
    unsent.push({ say, words, done, ...shows });
    stand();
    if (!telling) tellAll();
  });
}

async function tellAll() {
  telling = true;
  while (unsent.length) {
    const said = unsent[0].say(), trouble = said ? await sent(said) : "";
    // what was said after something that was not taken may have counted on it
    const over = unsent.splice(0, trouble ? unsent.length : 1);
    if (said && !trouble) write("told", over[0].words());
    write("trouble", over.length > 1 ? `${trouble} Nor is what you said after it.` : trouble);
    stand();
    for (const one of over) one.done(Boolean(said) && !trouble);
  }
  telling = false;
}

async function sent(said) { // what went wrong, in words
  try {
    const answer = await fetch("/say", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify(said),
      signal: AbortSignal.timeout(15000),
    });
    if (!answer.ok) return answer.status === 409 ? await answer.text() : "It was not taken; load the page again.";
    Object.assign(roast, await answer.json());
    return "";
  } catch {
    return "The computer was not reached: what you just said is not in the log. Is the program still running?";
  }
}

// All that may have changed is shown anew.
function stand() {
  cracks = [...roast.cracks, ...roast.missed.map((at) => [at, "missed", 1])];
  if (asked !== null && asked >= cracks.length) asked = null;
  const left = cards().length;
  write("left", left ? `${left} of ${roast.asked} left` : "");
  showCard();
  const undo = element("undo");
  write("undo", roast.undo ? `Undo: ${roast.undo[1]}` : "Nothing to undo");
  undo.setAttribute("aria-disabled", String(!roast.undo && !unsent.length));
  roast.marks.forEach(showRow);
  showMove();
  showHandles();
  redraw();
}

// What the computer has to look for first, so that keys meant for it wait: they would meet the card before.
let bringing = Promise.resolve();

function bring(say, words) {
  const brought = tell(say, words);
  bringing = brought;
  return brought;
}

async function undoLast() {
  if (!roast || (!roast.undo && !unsent.length)) return;
  const then = acts;
  let what = "", before = [];
  const undo = () => {
    if (!roast.undo) return null;
    what = roast.undo[1]; before = roast.labels;
    return { undo: roast.undo[0] };
  };
  if (!(await bring(undo, () => `Undone: ${what}.`))) return;
  const changed = before.find(([place, is]) => labelOf(place) !== is);
  if (!begun || !changed || changed[0] >= cracks.length) return;
  asked = changed[0]; // it is asked again
  present(acts === then);
}

// -- cards -------------------------------------------------------------------------------------------------------

let asked = null; // a crack that comes before the cards: the person chose it on the strip, or took the answer back

const cards = () => roast.cards.filter(([place]) => !unsent.some((one) => one.place === place));
const question = () => { if (asked !== null) return asked; const left = cards(); return left.length ? left[0][0] : null; };
const reasonOf = (place) => { const found = roast.cards.find((one) => one[0] === place); return found ? found[1] : "You chose it."; };
function labelOf(place) {
  const now = unsent.findLast((one) => one.place === place), found = roast.labels.find((one) => one[0] === place);
  return now ? now.is : found ? found[1] : undefined;
}
const SAID = new Map([[true, "a crack"], [false, "not a crack"], [null, "can’t tell"]]);

const wasHeard = (kind) => kind !== "missed" && kind !== "unsaid";
// On the strip: of what was almost taken for a crack, what is asked about or was answered.
const onStrip = (place) => cracks[place][1] !== "unsaid" || place === question() || labelOf(place) !== undefined;

function showCard() {
  const place = question();
  const there = place !== null;
  element("begin").hidden = there ? begun : roast.more === 0;
  document.querySelector(".answers").hidden = !(begun && there);
  document.querySelector(".again").hidden = !(begun && there);
  close.hidden = !there;
  if (!there) {
    write("begin", `${roast.more} more`);
    const answered = roast.labels.length;
    write("why", roast.more ? "That was all of these." : answered ? "None are left; thank you." : "No crack was doubtful.");
    return;
  }
  if (!begun) write("begin", `Listen: ${cards().length || 1} to answer`);
  const [at, kind] = cracks[place], label = labelOf(place);
  const heard = !wasHeard(kind) ? "not heard as a crack" : `heard as ${kind} crack`;
  const before = label === undefined ? "" : ` You said: ${SAID.get(label)}.`;
  write("why", `${timeOf(at, 1)}, ${heard}. ${reasonOf(place)}${before}`);
  close.setAttribute("aria-label", `Two seconds of sound around ${timeOf(at, 1)}; the arrow points at the place in question`);
}

// A card is shown, sounds, and the strip goes there unless the person has gone elsewhere meanwhile.
function present(go = true) {
  showCard();
  const place = question();
  if (place === null) { stop(); redraw(); return; }
  hearCard();
  if (!go) { redraw(); return; }
  const at = cracks[place][0];
  cursor = at;
  const span = Math.min(view.to - view.from, 20);
  if (at < view.from || at > view.to || view.to - view.from > 60) look(at - span / 2, at + span / 2);
  redraw();
}

function hearCard() {
  const place = question();
  if (place === null) return;
  const at = cracks[place][0];
  play(at - CARD_S / 2, at + CARD_S / 2, { even: true });
}

async function answer(is) {
  const then = acts;
  await bringing;
  const place = question();
  if (!begun || place === null) return;
  const at = cracks[place][0], chosen = asked;
  asked = null;
  const told = tell(() => ({ crack: place, is }), () => {
    const left = cards().length;
    const then = left ? `${left} left` : roast.more ? "that was all of these" : "none are left";
    return `${timeOf(at, 1)}: ${SAID.get(is)}. ${then[0].toUpperCase()}${then.slice(1)}.`;
  }, { place, is });
  present(acts === then);
  if (!(await told) && chosen !== null) { asked = chosen; stand(); }
  if (question() === null && document.activeElement === document.body) element("begin").hidden ? picture.focus() : element("begin").focus();
}

element("begin").addEventListener("click", async () => {
  if (!roast) return;
  const before = document.activeElement === element("begin");
  begun = true;
  let go = true;
  if (question() === null) {
    const then = acts;
    if (!(await bring(() => ({ more: true }), () => `${roast.cards.length} more to answer.`))) return;
    go = acts === then;
  }
  present(go);
  if (before && go) document.querySelector("[data-answer]").focus(); // its own button has gone
});
for (const button of document.querySelectorAll("[data-answer]")) {
  button.addEventListener("click", () => answer(JSON.parse(button.dataset.answer)));
}
element("again").addEventListener("click", hearCard);
element("undo").addEventListener("click", undoLast);
for (const [id, flip] of [["slow", () => (slow = !slow)], ["band", () => (band = !band)]]) {
  element(id).addEventListener("click", () => {
    element(id).setAttribute("aria-pressed", String(flip()));
    hearCard();
  });
}

// -- sound ---------------------------------------------------------------------------------------------------------

const SILENT = "The sound could not be played. Is the program still running?";
let audio = null, playing = null; // playing: { from, to, began, speed, sources, ended }

function filtered(context, from) { // fourth order at both ends
  let last = from;
  for (const [type, hz] of [["highpass", BAND_HZ[0]], ["highpass", BAND_HZ[0]], ["lowpass", BAND_HZ[1]], ["lowpass", BAND_HZ[1]]]) {
    const filter = context.createBiquadFilter();
    filter.type = type;
    filter.frequency.value = Math.min(hz, 0.45 * context.sampleRate);
    last = last.connect(filter);
  }
  return last;
}

async function piece(first, count) {
  const answer = await fetch(`/sound/${first}/${count}`);
  if (!answer.ok) throw new Error("no sound");
  return audio.decodeAudioData(await answer.arrayBuffer());
}

// The loudest of a short piece, after the filter if that is on: all cards are raised to the same level.
async function loudest(buffer) {
  let heard = buffer;
  if (band) {
    const offline = new OfflineAudioContext(1, buffer.length, buffer.sampleRate);
    const source = offline.createBufferSource();
    source.buffer = buffer;
    filtered(offline, source).connect(offline.destination);
    source.start();
    heard = await offline.startRendering();
  }
  return heard.getChannelData(0).reduce((most, sample) => Math.max(most, Math.abs(sample)), 0);
}

// From and to: seconds from the first sample. even: raised to the level of other cards.
async function play(from, to, { even = false } = {}) {
  stop();
  if (!audio) audio = new (window.AudioContext || window.webkitAudioContext)();
  audio.resume();
  from = clamp(from, 0, duration());
  to = clamp(to, 0, duration());
  const speed = slow ? SLOWER : 1;
  const now = (playing = { from, to, began: null, speed, sources: [], ended: false });
  showPlaying();
  let at = Math.round(from * rate()), when = null;
  const last = Math.round(to * rate());
  let out = null;
  try {
    while (at < last && playing === now) {
      const count = Math.min(last - at, Math.floor((even ? roast.sound.most : 4) * rate()));
      const buffer = await piece(at, count);
      if (playing !== now) return;
      if (out === null) {
        const peak = even ? await loudest(buffer) : roast.sound.peak;
        if (playing !== now) return;
        const gain = audio.createGain(), guard = audio.createDynamicsCompressor();
        gain.gain.value = Math.min(1000, 0.5 / Math.max(peak, 1e-6));
        guard.threshold.value = -6; guard.ratio.value = 20; guard.attack.value = 0.001;
        (band ? filtered(audio, gain) : gain).connect(guard).connect(audio.destination);
        out = gain;
        when = audio.currentTime + 0.04;
        now.began = when;
        if (element("trouble").textContent === SILENT) write("trouble", "");
        tick();
      }
      const source = audio.createBufferSource();
      source.buffer = buffer;
      source.playbackRate.value = speed;
      source.connect(out);
      source.start(Math.max(when, audio.currentTime));
      now.sources.push(source);
      at += count;
      when += count / rate() / speed;
      // the next piece is there two seconds before it is due
      while (playing === now && at < last && when - audio.currentTime > 2) await new Promise((go) => setTimeout(go, 200));
    }
  } catch {
    if (playing !== now) return;
    stop();
    if (!element("trouble").textContent) write("trouble", SILENT); // that an answer was lost matters more
  }
}

function stop() {
  if (!playing) return;
  for (const source of playing.sources) { try { source.stop(); } catch { /* it has ended */ } }
  playing = null;
  showPlaying();
}

const playhead = () =>
  playing && playing.began !== null ? playing.from + Math.max(0, audio.currentTime - playing.began) * playing.speed : null;

function tick() {
  const at = playhead();
  if (at === null) return;
  if (at >= playing.to) {
    const strip = playing.strip;
    if (strip) moveCursor(playing.to, false);
    playing = null;
    showPlaying();
    redraw();
    return;
  }
  if (playing.strip && at > view.to) look(at, at + (view.to - view.from));
  redraw();
  if (still.matches) setTimeout(tick, 250); else requestAnimationFrame(tick);
}

function showPlaying() { write("play", playing && playing.strip ? "Stop" : "Play"); }

function playStrip() {
  if (!roast) return;
  if (playing && playing.strip) {
    const at = playhead();
    stop();
    if (at !== null) moveCursor(at);
    return;
  }
  play(cursor >= duration() - 0.05 ? view.from : cursor, duration());
  playing.strip = true;
  showPlaying();
}
element("play").addEventListener("click", playStrip);

// -- tiles ---------------------------------------------------------------------------------------------------------

const tiles = new Map(); // "zoom/number" -> { low, high, power, drawn } or null while it is under way
let underWay = 0;
const stepOf = (zoom) => roast.sound.finest * 2 ** zoom;
const zoomFor = (secondsEach) => clamp(Math.round(Math.log2(secondsEach / roast.sound.finest)), 0, 14);

function tile(zoom, number, wanted = true) {
  const key = `${zoom}/${number}`, found = tiles.get(key);
  if (found) { tiles.delete(key); tiles.set(key, found); return found; }
  if (found === undefined && wanted && underWay < AT_ONCE) fetchTile(key);
  return null;
}

async function fetchTile(key) {
  tiles.set(key, null);
  underWay++;
  try {
    const answer = await fetch(`/tile/${key}`);
    if (!answer.ok) throw new Error("no tile");
    const bytes = await answer.arrayBuffer(), { columns, rows } = roast.sound;
    tiles.set(key, {
      wave: new Int16Array(bytes, 0, 2 * columns), // little-endian, as every machine with a browser is
      power: new Uint8Array(bytes, 4 * columns, columns * rows),
      drawn: null,
    });
    for (const old of tiles.keys()) { if (tiles.size <= TILES) break; if (tiles.get(old)) tiles.delete(old); }
  } catch {
    setTimeout(() => { tiles.delete(key); redraw(); }, 2000);
  } finally {
    underWay--;
    redraw();
  }
}

let tones = null;
function toneTable() { // from the ground over the tone of rates to the ink
  if (tones) return tones;
  const style = getComputedStyle(document.documentElement);
  const stops = ["--paper", "--band", "--rate", "--ink"].map((name) => {
    const hex = style.getPropertyValue(name).trim();
    return [1, 3, 5].map((at) => parseInt(hex.slice(at, at + 2), 16));
  });
  tones = new Uint32Array(256);
  for (let value = 0; value < 256; value++) {
    const share = clamp((value / 4 - TONES_DB[0]) / (TONES_DB[1] - TONES_DB[0]), 0, 1) * (stops.length - 1);
    const low = Math.min(Math.floor(share), stops.length - 2), part = share - low;
    const [red, green, blue] = stops[low].map((one, i) => Math.round(one + part * (stops[low + 1][i] - one)));
    tones[value] = (255 << 24) | (blue << 16) | (green << 8) | red;
  }
  return tones;
}
dark.addEventListener("change", () => { tones = null; for (const one of tiles.values()) if (one) one.drawn = null; redraw(); });

function spectrumOf(one) {
  if (one.drawn) return one.drawn;
  const { columns, rows } = roast.sound, table = toneTable();
  const canvas = document.createElement("canvas");
  canvas.width = columns; canvas.height = rows;
  const pen = canvas.getContext("2d"), image = pen.createImageData(columns, rows);
  const pixels = new Uint32Array(image.data.buffer);
  for (let column = 0; column < columns; column++)
    for (let row = 0; row < rows; row++) pixels[(rows - 1 - row) * columns + column] = table[one.power[column * rows + row]];
  pen.putImageData(image, 0, 0);
  return (one.drawn = canvas);
}

// Spectrum and wave of a stretch of time into boxes of a canvas; whether all of it was there.
function drawSound(pen, from, to, width, box, wave, ink) {
  const each = (to - from) / width, wanted = zoomFor(each);
  const x = (at) => ((at - from) / (to - from)) * width;
  let whole = true, loudestHere = 0;
  const parts = [];
  for (let zoom = wanted, spans = [[from, to]]; spans.length && zoom <= 14; zoom++) {
    const long = stepOf(zoom) * roast.sound.columns, missing = [];
    for (const [begin, end] of spans) {
      for (let number = Math.floor(Math.max(begin, 0) / long); number * long < Math.min(end, duration()); number++) {
        const one = tile(zoom, number, zoom === wanted);
        const span = [Math.max(begin, number * long), Math.min(end, (number + 1) * long)];
        if (one) parts.push([one, number * long, long, span]);
        else { missing.push(span); if (zoom === wanted) whole = false; }
      }
    }
    spans = missing; // until the tiles are there, coarser ones stand in for them
  }
  pen.imageSmoothingEnabled = false;
  for (const [one, begin, long, [left, right]] of parts) {
    const { columns, rows } = roast.sound;
    const first = clamp(Math.floor(((left - begin) / long) * columns), 0, columns - 1);
    const last = clamp(Math.ceil(((right - begin) / long) * columns), first + 1, columns);
    const at = begin + (first / columns) * long, until = begin + (last / columns) * long;
    pen.drawImage(spectrumOf(one), first, 0, last - first, rows, x(at), box.top, x(until) - x(at), box.height);
    for (let column = first; column < last; column++)
      loudestHere = Math.max(loudestHere, -one.wave[2 * column], one.wave[2 * column + 1]);
  }
  const middle = wave.top + wave.height / 2, scale = wave.height / 2 / Math.max(loudestHere, 1);
  pen.fillStyle = ink;
  for (const [one, begin, long, [left, right]] of parts) {
    const { columns } = roast.sound, step = long / columns;
    const last = Math.ceil((right - begin) / step - 1e-6);
    for (let column = Math.max(0, Math.floor((left - begin) / step + 1e-6)); column < Math.min(columns, last); column++) {
      const top = middle - one.wave[2 * column + 1] * scale, bottom = middle - one.wave[2 * column] * scale;
      const at = x(begin + column * step);
      pen.fillRect(at, top, Math.max(0.7, x(begin + (column + 1) * step) - at), Math.max(0.7, bottom - top));
    }
  }
  return whole;
}

// -- the strip -----------------------------------------------------------------------------------------------------

let waiting = false;
function redraw() {
  if (waiting || !roast) return;
  waiting = true;
  requestAnimationFrame(() => { waiting = false; drawStrip(); drawClose(); });
}

const xOf = (at) => ((at - view.from) / (view.to - view.from)) * picture.clientWidth;
const atOf = (x) => view.from + (x / picture.clientWidth) * (view.to - view.from);

function line(pen, x, top, bottom, dashes = []) {
  pen.setLineDash(dashes);
  pen.beginPath(); pen.moveTo(x, top); pen.lineTo(x, bottom); pen.stroke();
  pen.setLineDash([]);
}

const markTone = (what) => (what.startsWith("first") ? "first" : what.startsWith("second") ? "second" : "ink");
const markDash = (what) => (what === "first_crack.end" ? [5, 3] : what === "drop" ? [2, 3] : what === "charge" ? [1, 3] : []);
function atOfMark(mark) {
  if (moving && moving.what === mark.what) return moving.at;
  const now = unsent.findLast((one) => one.mark === mark.what);
  return now ? now.at : mark.at;
}

function drawStrip() {
  const made = penFor(picture);
  if (!made) return;
  const { pen, width, height } = made, size = letters(), axis = 1.9 * size;
  const inner = height - axis, box = { top: 0, height: 0.46 * inner };
  const wave = { top: 0.48 * inner, height: 0.22 * inner }, cracks = { top: 0.72 * inner, height: 0.28 * inner };
  const whole = drawSound(pen, view.from, view.to, width, box, wave, tone("faint"));
  picture.dataset.whole = String(whole);
  pen.font = `${size}px system-ui, sans-serif`;
  drawAxis(pen, width, height, size);
  drawCracks(pen, width, cracks);
  for (const mark of roast.marks) {
    pen.strokeStyle = pen.fillStyle = tone(markTone(mark.what));
    pen.lineWidth = 2;
    const at = atOfMark(mark);
    if (mark.interval) { // of what was heard
      const left = xOf(mark.interval[0]), right = xOf(mark.interval[1]);
      pen.globalAlpha = 0.14; pen.fillRect(left, cracks.top, right - left, cracks.height);
      pen.globalAlpha = 1; pen.fillRect(left, cracks.top - 4, Math.max(2, right - left), 4);
    }
    if (at !== null) line(pen, xOf(at), 0, inner, markDash(mark.what));
    if (mark.heard !== null && mark.heard !== at) { // a diamond stands for what was heard
      const x = xOf(mark.heard);
      pen.beginPath(); pen.moveTo(x, 3); pen.lineTo(x + 5, 9); pen.lineTo(x, 15); pen.lineTo(x - 5, 9); pen.closePath();
      pen.stroke();
    }
  }
  pen.strokeStyle = tone("ink"); pen.lineWidth = 1;
  line(pen, xOf(cursor), 0, inner);
  pen.fillStyle = tone("ink");
  pen.beginPath(); pen.moveTo(xOf(cursor) - 6, inner); pen.lineTo(xOf(cursor) + 6, inner); pen.lineTo(xOf(cursor), inner - 8); pen.fill();
  const at = playhead();
  if (at !== null) { pen.lineWidth = 2.5; pen.strokeStyle = tone("rate"); line(pen, xOf(at), 0, inner); }
  write("place", `${timeOf(cursor, view.to - view.from < 30 ? 2 : 1)}`);
  picture.setAttribute("aria-valuenow", cursor.toFixed(2));
  const near = nearest(cursor, 0.02);
  picture.setAttribute("aria-valuetext", `${timeOf(cursor, 1)}${near === null ? "" : `, ${crackWords(near)}`}`);
}

function drawAxis(pen, width, height, size) {
  const span = view.to - view.from, most = Math.max(2, width / (5 * size));
  const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 1800, 3600];
  const step = steps.find((one) => span / one <= most) || 7200;
  const places = step >= 1 ? 0 : step >= 0.1 ? 1 : 2, zero = roast.charge || 0;
  pen.fillStyle = tone("faint"); pen.strokeStyle = tone("rule"); pen.lineWidth = 1;
  pen.textAlign = "center"; pen.textBaseline = "alphabetic";
  for (let n = Math.ceil((view.from - zero) / step); n * step + zero <= view.to; n++) {
    const x = xOf(n * step + zero);
    line(pen, x, height - 1.9 * size, height - 1.4 * size);
    pen.fillText(clock(n * step, places), clamp(x, 1.6 * size, width - 1.6 * size), height - 0.35 * size);
  }
}

function drawCracks(pen, width, box) {
  const bottom = box.top + box.height, room = box.height - 14;
  const here = question();
  pen.strokeStyle = tone("rule"); pen.lineWidth = 1;
  pen.beginPath(); pen.moveTo(0, bottom - room / 2); pen.lineTo(width, bottom - room / 2); pen.stroke(); // half sure
  cracks.forEach(([at, kind, sure], place) => {
    const x = xOf(at);
    if (x < -6 || x > width + 6 || !onStrip(place)) return;
    const top = bottom - sure * room, label = labelOf(place);
    pen.strokeStyle = pen.fillStyle = tone(wasHeard(kind) ? kind : "ink");
    pen.lineWidth = place === here ? 3.5 : 1.6;
    if (label === false) pen.globalAlpha = 0.45;
    line(pen, x, top, bottom, wasHeard(kind) ? [] : [2, 3]);
    if (kind === "second") { pen.beginPath(); pen.arc(x, top, 3, 0, 7); pen.stroke(); }
    pen.globalAlpha = 1;
    if (label === undefined) return;
    pen.fillStyle = pen.strokeStyle = tone("ink"); pen.lineWidth = 2;
    const y = top - 8;
    if (label === true) { pen.beginPath(); pen.arc(x, y, 3.6, 0, 7); pen.fill(); }
    else if (label === false) { pen.beginPath(); pen.moveTo(x - 4, y - 4); pen.lineTo(x + 4, y + 4); pen.moveTo(x + 4, y - 4); pen.lineTo(x - 4, y + 4); pen.stroke(); }
    else { pen.textAlign = "center"; pen.textBaseline = "middle"; pen.fillText("?", x, y); }
  });
}

function drawClose() {
  const place = question(), made = close.hidden || place === null ? null : penFor(close);
  if (!made) return;
  const { pen, width, height } = made, at = cracks[place][0];
  const from = at - CARD_S / 2, to = at + CARD_S / 2, room = height - 12;
  close.dataset.whole = String(
    drawSound(pen, from, to, width, { top: 0, height: 0.6 * room }, { top: 0.62 * room, height: 0.38 * room }, tone("faint")),
  );
  pen.fillStyle = tone("first");
  pen.beginPath(); pen.moveTo(width / 2 - 7, height); pen.lineTo(width / 2 + 7, height); pen.lineTo(width / 2, height - 11); pen.fill();
  const head = playhead();
  if (head !== null && head >= from && head <= to) {
    pen.strokeStyle = tone("ink"); pen.lineWidth = 2;
    line(pen, ((head - from) / CARD_S) * width, 0, room);
  }
}

function crackWords(place) {
  const [, kind, sure] = cracks[place], label = labelOf(place);
  const heard = !wasHeard(kind) ? "not heard" : `${kind} crack, ${Math.round(100 * sure)} % sure`;
  return `${heard}${label === undefined ? "" : `, you said ${SAID.get(label)}`}`;
}

// The crack that is nearest to a time, within so many seconds.
function nearest(at, within) {
  let best = null;
  cracks.forEach(([time], place) => {
    const off = Math.abs(time - at);
    if (off <= within && onStrip(place) && (best === null || off < Math.abs(cracks[best][0] - at))) best = place;
  });
  return best;
}

function look(from, to) {
  const span = clamp(to - from, Math.min(CLOSEST_S, duration()), duration());
  const begin = clamp((from + to) / 2 - span / 2, 0, duration() - span);
  view = { from: begin, to: begin + span };
  showHandles();
  redraw();
}

function zoom(factor, at = cursor) {
  if (at < view.from || at > view.to) at = (view.from + view.to) / 2;
  const span = clamp((view.to - view.from) * factor, Math.min(CLOSEST_S, duration()), duration());
  const from = at - ((at - view.from) / (view.to - view.from)) * span;
  look(from, from + span);
}

function moveCursor(at, follow = true) {
  cursor = clamp(at, 0, duration());
  const span = view.to - view.from;
  if (follow && (cursor < view.from || cursor > view.to)) look(cursor - span / 2, cursor + span / 2);
  redraw();
}

element("in").addEventListener("click", () => zoom(0.4));
element("out").addEventListener("click", () => zoom(2.5));
element("all").addEventListener("click", () => look(0, duration()));

function jump(way) { // to the next or previous crack
  const ahead = cracks.filter((_, place) => onStrip(place)).map(([at]) => at).filter((at) => way * (at - cursor) > 0.001);
  if (ahead.length) moveCursor(way > 0 ? Math.min(...ahead) : Math.max(...ahead));
}

function ask(place) { // a crack that the person chose; once more, and the cards go on
  asked = asked === place ? null : place;
  begun = true;
  present();
}

// A crack that was not heard: the loudest sound at the cursor, once that is close enough to point at one.
async function addMissed() {
  if (!roast) return;
  const pointed = atOf(POINTED_PX) - atOf(0), strip = playing && playing.strip ? playhead() : null;
  if (strip !== null || pointed > POINTED_S) {
    // what somebody has just heard lies a moment back
    const at = strip === null ? cursor : strip - 0.5, span = (POINTED_S / POINTED_PX) * picture.clientWidth;
    if (strip !== null) stop();
    moveCursor(at, false);
    look(cursor - 0.45 * span, cursor + 0.45 * span);
    write("told", "Put the cursor on the crack, then add it.");
    return;
  }
  const at = cursor;
  let found = at;
  const taken = await tell(() => ({ missed: at, within: pointed }), () => {
    found = roast.placed;
    const heard = roast.cracks.some(([one, kind]) => one === found && wasHeard(kind));
    return `${timeOf(found, 2)}: ${heard ? "heard already, and now a crack by your word too" : "a crack that was not heard"}.`;
  });
  if (!taken) return;
  if (cursor === at) moveCursor(found, false);
  hearAround(found);
}
element("missed").addEventListener("click", addMissed);

picture.addEventListener("keydown", (event) => {
  if (!roast || event.ctrlKey || event.metaKey || event.altKey) return;
  const fine = (view.to - view.from) / 200, step = event.shiftKey ? 10 * fine : fine;
  const keys = {
    ArrowLeft: () => moveCursor(cursor - step), ArrowRight: () => moveCursor(cursor + step),
    ArrowDown: () => moveCursor(cursor - step), ArrowUp: () => moveCursor(cursor + step),
    PageUp: () => moveCursor(cursor + (view.to - view.from) / 2), PageDown: () => moveCursor(cursor - (view.to - view.from) / 2),
    Home: () => moveCursor(0), End: () => moveCursor(duration()),
    "+": () => zoom(0.5), "=": () => zoom(0.5), "-": () => zoom(2), "−": () => zoom(2), 0: () => look(0, duration()),
    ".": () => jump(1), ",": () => jump(-1),
    Enter: () => { const place = nearest(cursor, (view.to - view.from) / 100); if (place !== null) ask(place); },
  };
  if (!Object.hasOwn(keys, event.key)) return;
  event.preventDefault();
  keys[event.key]();
});

// One finger or the mouse moves the strip, two zoom it; a tap sets the cursor, or chooses the crack under it.
const fingers = new Map();
let dragged = 0, pinch = null; // pinch: how far apart two fingers are, and where their middle is, pixels

function pinched() {
  if (fingers.size !== 2) return null;
  const [one, other] = [...fingers.values()].map((finger) => finger.clientX - picture.getBoundingClientRect().left);
  return { apart: Math.max(20, Math.abs(one - other)), middle: (one + other) / 2 };
}

picture.addEventListener("pointerdown", (event) => {
  if (!roast) return;
  fingers.set(event.pointerId, event);
  picture.setPointerCapture(event.pointerId);
  dragged = fingers.size > 1 ? Infinity : 0;
  pinch = pinched();
});
picture.addEventListener("pointermove", (event) => {
  const before = fingers.get(event.pointerId);
  if (!before) return;
  fingers.set(event.pointerId, event);
  if (fingers.size === 1) {
    const by = event.clientX - before.clientX;
    dragged += Math.abs(by);
    const seconds = (by / picture.clientWidth) * (view.to - view.from);
    if (dragged > 6) look(view.from - seconds, view.to - seconds);
  } else if (pinch) {
    const before = pinch;
    pinch = pinched();
    zoom(before.apart / pinch.apart, atOf(before.middle));
    const seconds = ((pinch.middle - before.middle) / picture.clientWidth) * (view.to - view.from);
    look(view.from - seconds, view.to - seconds);
  }
});
for (const name of ["pointerup", "pointercancel"]) {
  picture.addEventListener(name, (event) => {
    if (!fingers.delete(event.pointerId)) return;
    pinch = pinched();
    if (name === "pointercancel" || dragged > 6) return;
    const box = picture.getBoundingClientRect(), x = event.clientX - box.left;
    const below = event.clientY - box.top > 0.7 * (box.height - 1.9 * letters());
    const place = below ? nearest(atOf(x), (12 / box.width) * (view.to - view.from)) : null;
    if (place !== null) { ask(place); return; }
    moveCursor(atOf(x), false);
    if (playing && playing.strip) { stop(); playStrip(); }
  });
}
picture.addEventListener("wheel", (event) => {
  if (!roast || (!event.ctrlKey && !event.shiftKey && Math.abs(event.deltaX) < Math.abs(event.deltaY) && document.activeElement !== picture)) return;
  event.preventDefault();
  if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
    const seconds = ((event.deltaX || event.deltaY) / picture.clientWidth) * (view.to - view.from);
    look(view.from + seconds, view.to + seconds);
  } else zoom(1.002 ** clamp(event.deltaY, -400, 400), atOf(event.offsetX));
}, { passive: false });
new ResizeObserver(() => { if (roast) { showHandles(); redraw(); } }).observe(element("strip"));

// -- moments -------------------------------------------------------------------------------------------------------

const handles = new Map();
const markOf = (what) => roast.marks.find((mark) => mark.what === what);

function handleOf(mark) {
  if (handles.has(mark.what)) return handles.get(mark.what);
  const made = make("button", "", `handle ${markTone(mark.what).replace("ink", "plain")}`);
  made.type = "button";
  made.setAttribute("role", "slider");
  made.setAttribute("aria-label", mark.name[0].toUpperCase() + mark.name.slice(1));
  made.setAttribute("aria-valuemin", "0");
  let grip = 0, held = false;
  made.addEventListener("pointerdown", (event) => {
    held = true;
    grip = event.clientX - xOf(atOfMark(markOf(mark.what)));
    made.setPointerCapture(event.pointerId);
    choose(mark.what);
  });
  made.addEventListener("pointermove", (event) => {
    if (!held || (!moving && Math.abs(event.clientX - grip - xOf(atOfMark(markOf(mark.what)))) < 3)) return;
    shift(mark.what, atOf(event.clientX - grip), false);
  });
  made.addEventListener("pointerup", () => { held = false; settle(); });
  made.addEventListener("pointercancel", () => { held = false; putBack(); });
  made.addEventListener("focus", () => choose(mark.what));
  made.addEventListener("blur", () => { if (!held) settle(); });
  made.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const now = atOfMark(markOf(mark.what)), step = event.shiftKey ? 1 : 0.1;
    const keys = {
      ArrowLeft: () => shift(mark.what, now - step), ArrowDown: () => shift(mark.what, now - step),
      ArrowRight: () => shift(mark.what, now + step), ArrowUp: () => shift(mark.what, now + step),
      PageUp: () => shift(mark.what, now + 10), PageDown: () => shift(mark.what, now - 10),
      Home: () => shift(mark.what, 0), End: () => shift(mark.what, duration()),
      Enter: settle, " ": settle, Escape: putBack,
    };
    if (!Object.hasOwn(keys, event.key)) return;
    event.preventDefault();
    event.stopPropagation();
    keys[event.key]();
  });
  handles.set(mark.what, made);
  return made;
}

// Moved, and not told to the computer yet. rests: it is told when nothing moves for a while.
function shift(what, at, rests = true) {
  if (moving && moving.what !== what) settle();
  if (!moving || moving.what !== what) moving = { what, at, timer: null, played: null };
  moving.at = clamp(Math.round(at * 1000) / 1000, 0, duration());
  clearTimeout(moving.timer);
  if (rests) moving.timer = setTimeout(settle, REST_MS);
  clearTimeout(moving.played);
  const here = moving.at;
  if (!rests) moving.played = setTimeout(() => hearAround(here), 350); // the finger has stopped for a moment
  cursor = moving.at;
  const span = view.to - view.from;
  if (rests && (cursor < view.from || cursor > view.to)) look(cursor - span / 2, cursor + span / 2);
  showHandles();
  showMove();
  redraw();
}

function hearAround(at) { if (audio || navigator.userActivation?.hasBeenActive !== false) play(at - AROUND_S, at + AROUND_S); }

function settle() {
  if (!moving) return;
  const { what, at, timer, played } = moving;
  clearTimeout(timer); clearTimeout(played);
  moving = null;
  if (at === atOfMark(markOf(what))) { stand(); return; }
  tell(() => ({ mark: what, at }), () => `${markOf(what).name} is at ${timeOfMark(markOf(what), at, 1)} now.`, { mark: what, at });
  hearAround(at);
}

function putBack() {
  if (!moving) return;
  clearTimeout(moving.timer); clearTimeout(moving.played);
  moving = null;
  stand();
}

function showHandles() {
  if (!roast) return;
  const rows = [], there = [], width = element("strip").clientWidth;
  for (const mark of roast.marks) {
    const at = atOfMark(mark);
    if (at === null) continue;
    const made = handleOf(mark);
    made.textContent = `${mark.name} ${timeOfMark(mark, at, view.to - view.from < 60 ? 1 : 0)}`;
    made.classList.toggle("moving", Boolean(moving && moving.what === mark.what));
    made.setAttribute("aria-valuemax", duration().toFixed(1));
    made.setAttribute("aria-valuenow", at.toFixed(1));
    made.setAttribute("aria-valuetext", timeOfMark(mark, at, 1));
    there.push([made, at]);
  }
  const band = element("handles");
  // what has the keyboard stays in its place in the page
  for (const [made] of there) if (made.parentNode !== band) band.append(made);
  for (const made of [...band.children]) if (!there.some(([one]) => one === made)) made.remove();
  const placed = [];
  let most = 1;
  for (const [made, at] of there) {
    const x = xOf(at), inside = x >= -1 && x <= width + 1;
    made.style.visibility = inside || document.activeElement === made ? "visible" : "hidden";
    if (!inside) continue;
    const long = made.offsetWidth, left = x + long > width, begins = left ? x - long : x;
    let row = rows.findIndex((taken) => taken.every(([from, to]) => begins + long < from || begins > to));
    if (row < 0) { row = rows.length; rows.push([]); }
    rows[row].push([begins, begins + long]);
    most = Math.max(most, row + 1);
    made.classList.toggle("left", left);
    placed.push([made, begins, row]);
  }
  const row = there.length ? there[0][0].offsetHeight + 1 : 0; // the lowest stands on the strip
  for (const [made, x, up] of placed) made.style.transform = `translate(${Math.round(x)}px, ${(most - 1 - up) * row}px)`;
  const high = `${most * row}px`;
  if (band.style.height !== high) band.style.height = high;
}

function rowOf(mark) {
  const there = element("marks").querySelector(`[data-what="${mark.what}"]`);
  if (there) return there;
  const made = make("li", ""), button = make("button", "");
  button.type = "button";
  button.dataset.what = mark.what;
  button.setAttribute("aria-pressed", "false");
  button.append(make("span", ""), make("strong", ""), make("span", "", "beside"));
  button.addEventListener("click", () => {
    choose(mark.what);
    const at = markOf(mark.what).at;
    if (at === null) return;
    const span = Math.min(view.to - view.from, 20);
    cursor = at;
    look(at - span / 2, at + span / 2);
    hearAround(at);
  });
  made.append(button);
  element("marks").append(made);
  return button;
}

function showRow(mark) {
  const name = mark.name[0].toUpperCase() + mark.name.slice(1);
  const time = mark.at === null ? "–" : timeOfMark(mark, mark.at, 1);
  const beside = [];
  if (mark.whose === "corrected") beside.push(mark.at === null ? "did not happen, you say" : "put here by you");
  if (mark.whose === "marked") beside.push("your mark");
  if (mark.whose === "corrected" && mark.marked !== null) beside.push(`marked ${timeOfMark(mark, mark.marked, 1)}`);
  if (mark.heard !== null) beside.push(mark.whose === "heard" ? "heard" : `heard ${timeOfMark(mark, mark.heard, 1)}`);
  if (mark.interval && mark.whose === "heard")
    beside.push(`between ${timeOfMark(mark, mark.interval[0])} and ${timeOfMark(mark, mark.interval[1])}`);
  if (!beside.length) beside.push("not known");
  [name, time, beside.join(", ")].forEach((text, place) => { rowOf(mark).children[place].textContent = text; });
}

function choose(what) {
  chosen = what;
  for (const button of element("marks").querySelectorAll("button"))
    button.setAttribute("aria-pressed", String(button.dataset.what === what));
  showMove();
}

function showMove() {
  element("move").hidden = chosen === null;
  if (chosen === null) return;
  const mark = markOf(chosen), at = atOfMark(mark);
  write("chosen", `${mark.name[0].toUpperCase()}${mark.name.slice(1)}: ${at === null ? "nowhere" : timeOfMark(mark, at, 1)}`);
  for (const id of ["earlier", "later", "never"]) element(id).setAttribute("aria-disabled", String(at === null));
  element("asit").setAttribute("aria-disabled", String(mark.whose !== "corrected"));
  write("asit", mark.marked !== null ? "As you marked it" : mark.heard !== null ? "As it was heard" : "As it was");
}

function onMove(id, does) {
  element(id).addEventListener("click", (event) => {
    if (!roast || chosen === null || event.currentTarget.getAttribute("aria-disabled") === "true") return;
    does(markOf(chosen));
  });
}
onMove("earlier", (mark) => shift(mark.what, atOfMark(mark) - 0.1));
onMove("later", (mark) => shift(mark.what, atOfMark(mark) + 0.1));
onMove("here", (mark) => { shift(mark.what, cursor); settle(); });
onMove("never", (mark) => { putBack(); tell(() => ({ mark: mark.what, at: null }), () => `${mark.name} did not happen.`, { mark: mark.what, at: null }); });
onMove("asit", (mark) => { putBack(); tell(() => ({ restore: mark.what }), () => `${mark.name} is as it was.`); });

// -- keys of the whole page ----------------------------------------------------------------------------------------

element("keys").addEventListener("click", () => {
  singleKeys = !singleKeys;
  element("keys").setAttribute("aria-pressed", String(singleKeys));
  write("keys", singleKeys ? "Single keys on" : "Single keys off");
});

document.addEventListener("keydown", (event) => {
  if (!roast || event.altKey || event.defaultPrevented) return;
  if ((event.ctrlKey || event.metaKey) && !event.shiftKey && event.key.toLowerCase() === "z") { event.preventDefault(); undoLast(); return; }
  if (event.ctrlKey || event.metaKey || !singleKeys || event.repeat) return;
  const keys = {
    c: () => answer(true), n: () => answer(false), t: () => answer(null),
    r: hearCard, s: () => element("slow").click(), b: () => element("band").click(), u: undoLast, a: addMissed,
  };
  const key = event.key.toLowerCase();
  if (event.key === " " && !event.target.closest("button, summary")) { event.preventDefault(); playStrip(); }
  else if (event.key.length === 1 && Object.hasOwn(keys, key)) { event.preventDefault(); keys[key](); }
});

load();
