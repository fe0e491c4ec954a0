// The board of a live roast. The computer says what stands on it, in words and figures; here it is only shown.
"use strict";

// Older than this is not now any more, milliseconds. The computer speaks at least once a second.
const OLD_MS = 2500;
// After a press, and when they have become other ones, buttons rest this long, milliseconds.
const REST_MS = 1500;
// What was said longer ago than this makes no sound any more, seconds.
const SOUND_S = 15;
const PICTURE_S = 120;
const FULL_PER_MINUTE = 200;
const GAP_S = 2.5;

const board = { parts: {}, density: [], pops: [], now: 0 };
let stream = null, lastId = "", opened = 0, knownSaid = null, changedAt = -Infinity, wanted = "", ended = false;
let heardAt = null; // by both clocks: one of them stands still while a phone sleeps
let closedOut = false;

const clocks = () => [performance.now(), Date.now()];
const since = (then) => { const now = clocks(); return Math.max(now[0] - then[0], now[1] - then[1]); };
const age = () => (heardAt === null ? Infinity : since(heardAt));
const isOld = () => !ended && age() > OLD_MS;

// -- what the computer says ------------------------------------------------------------------------------------

function listen() {
  if (stream) stream.close();
  if (ended || closedOut) return;
  opened = performance.now();
  stream = new EventSource(lastId ? "/events?last=" + encodeURIComponent(lastId) : "/events");
  stream.onmessage = (message) => { lastId = message.lastEventId; heardAt = clocks(); take(JSON.parse(message.data)); };
  stream.addEventListener("here", () => { heardAt = clocks(); mind(); });
  stream.onerror = () => { if (stream.readyState === EventSource.CLOSED) ask(); };
}

async function ask() { // why there is no stream
  try {
    const answer = await fetch("/icon.svg", { cache: "no-store" });
    closedOut = answer.status === 403 || answer.status === 421;
  } catch { /* out of reach; it is tried again */ }
  mind();
}

function take(said) {
  if (said.whole) { board.density = []; board.pops = []; }
  board.now = said.now;
  board.density.push(...said.density);
  board.pops.push(...said.pops);
  board.density = board.density.filter((row) => row[0] > said.now - PICTURE_S);
  board.pops = board.pops.filter((row) => row[0] > said.now - PICTURE_S);
  Object.assign(board.parts, said.parts);
  show(said.parts);
  mind();
  draw();
}

// -- what is shown ---------------------------------------------------------------------------------------------

const SHOW = {
  facts(facts) {
    element("facts").replaceChildren(...facts.map(([name, value, loud]) => {
      const one = make("li", "", loud ? "loud" : "");
      one.append(make("strong", value || name), value ? make("span", name) : "");
      return one;
    }));
  },
  figure(text) { write("figure", text); element("figure").className = text.length > 5 ? "long" : ""; },
  loudness(share) { element("bar").style.transform = `scaleX(${Math.min(1, Math.max(0, share))})`; },
  said(said) { // rows of number, roast time, words, urgency 0 to 2, signal, seconds
    const [first, ...before] = said;
    element("latest").className = first && first[3] === 2 ? "urgent" : "";
    const words = first ? `${first[1]}  ${first[2]}` : "";
    if (element("latest").dataset.words !== words) {
      element("latest").dataset.words = words;
      element("latest").replaceChildren(...(first ? [make("span", first[1], "at"), first[2]] : []));
    }
    element("said").replaceChildren(...before.map((one) => {
      const line = make("li", "");
      line.append(make("span", one[1], "at"), one[2]);
      return line;
    }));
    const known = knownSaid;
    knownSaid = first ? first[0] : 0;
    if (known === null) return; // a page that has just been opened does not repeat what was before
    const fresh = said.filter((one) => one[0] > known && one[4] && board.now - one[5] < SOUND_S);
    if (fresh.length) call(fresh.sort((a, b) => b[3] - a[3])[0]);
  },
  button(button) {
    const what = button ? button[0] : "";
    if (what !== wanted) {
      if (wanted) rest();
      wanted = what;
    }
    write("mark-words", button ? button[1] : "");
    write("mark-hint", button ? button[2] : "");
    element("mark").hidden = !button;
  },
  undo(undo) { element("undo").hidden = !undo; write("undo", undo ? undo[1] : ""); },
  ended(over) { ended = over; if (over && stream) stream.close(); },
};

function show(parts) {
  for (const [name, value] of Object.entries(parts)) {
    if (Object.hasOwn(SHOW, name)) SHOW[name](value);
    else if (element(name)) write(name, value);
  }
  document.title = `${board.parts.figure} ${board.parts.phase}`;
}

// How it stands between this page and the computer, in words; a board that hears nothing says so.
function mind() {
  const old = isOld() || closedOut;
  let words = "Connected: this is now.";
  if (ended) words = "The roast has ended.";
  else if (closedOut) words = "The computer does not know this page any more. Scan the code at the computer.";
  else if (heardAt === null) words = "Asking the computer …";
  else if (old) words = `Nothing from the computer for ${Math.floor(age() / 1000)} s. The figures are old.`;
  write("link-words", words);
  document.body.className = old ? "old" : "live";
  const resting = performance.now() - changedAt < REST_MS;
  // not "disabled": that would take the keyboard's place on the page away
  for (const name of ["mark", "undo"]) element(name).setAttribute("aria-disabled", String(old || resting || ended));
  if (old && heardAt !== null) write("answer", "Mark at the computer meanwhile.");
  else if (element("answer").textContent.startsWith("Mark at")) write("answer", "");
}

setInterval(() => {
  mind();
  // a stream that hangs is begun anew; its number says where it was
  if (isOld() && performance.now() - opened > 3000) listen();
}, 250);
document.addEventListener("visibilitychange", () => {
  mind();
  if (!document.hidden) { stayAwake(); if (isOld()) listen(); }
});
addEventListener("online", listen);

// -- the picture: crack rate with its interval, and below it each crack -------------------------------------------

// Parts without a gap: it is told every second, and where it was not nothing is drawn.
function runs(rows) {
  const found = [];
  for (const row of rows) {
    const run = found[found.length - 1];
    if (run && row[0] - run[run.length - 1][0] <= GAP_S) run.push(row);
    else found.push([row]);
  }
  return found;
}

function draw() {
  const made = penFor(element("picture"));
  if (!made) return;
  const { pen, width, height } = made, letter = letters();
  // between two words of the computer the picture moves on, for as long as they are of now
  const now = board.now + (still.matches || ended ? 0 : Math.min(age(), OLD_MS) / 1000);
  const left = 2.4 * letter, right = width - 4, bottom = height - 3 * letter, top = 8;
  const x = (at) => right - ((now - at) / PICTURE_S) * (right - left);
  const y = (rate) => bottom - Math.sqrt(Math.min(rate, FULL_PER_MINUTE) / FULL_PER_MINUTE) * (bottom - top);
  pen.font = `${letter}px system-ui, sans-serif`;
  pen.lineWidth = 1;
  pen.strokeStyle = tone("rule");
  pen.fillStyle = tone("faint");
  pen.textAlign = "right"; pen.textBaseline = "middle";
  for (const rate of [0, 20, 100, 200]) {
    pen.beginPath(); pen.moveTo(left, y(rate)); pen.lineTo(right, y(rate)); pen.stroke();
    pen.fillText(String(rate), left - 5, y(rate));
  }
  pen.textBaseline = "alphabetic";
  pen.textAlign = "left"; pen.fillText("2 min ago", left, height - 5);
  pen.textAlign = "center"; pen.fillText("1 min ago", (left + right) / 2, height - 5);
  pen.textAlign = "right"; pen.fillText("now", right, height - 5);
  pen.save();
  pen.beginPath(); pen.rect(left, 0, right - left, height); pen.clip();
  for (const rows of runs(board.density)) {
    pen.fillStyle = tone("band");
    pen.beginPath();
    rows.forEach((row, i) => (i ? pen.lineTo(x(row[0]), y(row[3])) : pen.moveTo(x(row[0]), y(row[3]))));
    for (let i = rows.length - 1; i >= 0; i--) pen.lineTo(x(rows[i][0]), y(rows[i][2]));
    pen.closePath(); pen.fill();
    pen.strokeStyle = tone("rate"); pen.lineWidth = 2.5; pen.lineJoin = "round";
    pen.beginPath();
    rows.forEach((row, i) => (i ? pen.lineTo(x(row[0]), y(row[1])) : pen.moveTo(x(row[0]), y(row[1]))));
    pen.stroke();
  }
  for (const [at, kind, sure] of board.pops) { // first crack: a stroke; second crack: a ring
    pen.lineWidth = 2;
    pen.strokeStyle = tone(kind === "second" ? "second" : "first");
    pen.beginPath();
    if (kind === "second") pen.arc(x(at), bottom + 9, 3.5, 0, 7);
    else { pen.moveTo(x(at), bottom + 16); pen.lineTo(x(at), bottom + 16 - 12 * sure); }
    pen.stroke();
  }
  pen.restore();
}

setInterval(() => { if (!document.hidden && !still.matches && !isOld()) draw(); }, 100);
addEventListener("resize", draw);
dark.addEventListener("change", draw);

// -- what the person says ----------------------------------------------------------------------------------------

function rest() { // a second tap, or a finger that meant the button before, presses nothing
  changedAt = performance.now();
  mind();
  setTimeout(mind, REST_MS + 20);
}

async function press(button, what) {
  if (!what || button.getAttribute("aria-disabled") === "true") return;
  rest();
  write("answer", "Telling the computer …");
  try {
    const answer = await fetch("/mark", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ what }),
      signal: AbortSignal.timeout(3000),
    });
    write("answer", answer.ok ? "" : answer.status === 409 ? await answer.text() : "It was not taken; mark at the computer.");
    if (answer.ok && navigator.vibrate && allowed) navigator.vibrate(40);
  } catch {
    write("answer", "The computer was not reached; mark there.");
  }
}

element("mark").addEventListener("click", (event) => press(event.currentTarget, wanted));
element("undo").addEventListener("click", (event) => press(event.currentTarget, board.parts.undo && board.parts.undo[0]));

// -- sound, vibration, a screen that stays on --------------------------------------------------------------------

const SHAKES = [[], [200, 100, 200], [400, 150, 400, 150, 400]];
let allowed = false, audio = null;
const sounds = {};

element("allow").addEventListener("click", async () => {
  allowed = !allowed;
  element("allow").setAttribute("aria-pressed", String(allowed));
  write("allow", allowed ? "Sound on" : "Sound off");
  if (!allowed) return;
  stayAwake();
  if (navigator.vibrate) navigator.vibrate(60);
  audio = audio || new (window.AudioContext || window.webkitAudioContext)();
  audio.resume();
  for (const name of board.parts.signals || []) {
    if (sounds[name]) continue;
    try {
      const answer = await fetch(`/signal/${name}.wav`);
      sounds[name] = await audio.decodeAudioData(await answer.arrayBuffer());
    } catch { write("answer", "A sound could not be loaded; it vibrates where the phone can."); }
  }
  play("noted");
});

function play(name) {
  if (!allowed || !audio || !sounds[name]) return;
  const source = audio.createBufferSource();
  source.buffer = sounds[name];
  source.connect(audio.destination);
  source.start();
}

function call(one) {
  play(one[4]);
  if (allowed && navigator.vibrate) navigator.vibrate(SHAKES[one[3]]);
}

let lock = null;
async function stayAwake() {
  if (!("wakeLock" in navigator)) {
    write("awake", "This browser does not let the page keep the screen on: set the phone's own screen time longer.");
    return;
  }
  try {
    if (!lock || lock.released) lock = await navigator.wakeLock.request("screen");
    write("awake", "");
  } catch {
    write("awake", "The screen may switch itself off; touch it now and then.");
  }
}

document.querySelector("details").addEventListener("toggle", (event) => {
  if (event.target.open) element("code").src = "/code.svg";
});

stayAwake();
listen();
