// The page of a run. All it shows is the last state that the run sent; all it keeps is what is being typed.

import { chart } from "./chart.js";
import { graticule } from "./graticule.js";
import { listen } from "./stream.js";
import { tr } from "./texts.js";

const $ = id => document.getElementById(id);
const RESTS_MS = { hazard: 1000, other: 250 }, LARGEST_PX = 2048;
const LABELS = {
  "=": tr("= as expected"), "?": tr("? help"), off: tr("off screen"), back: tr("back"), skip: tr("skip"), stop: tr("stop"),
  yes: tr("yes"), no: tr("no"), "go on": tr("go on"), "it is off": tr("it is off"), "read again": tr("read again"),
  "no signal": tr("no signal"), "it counts": tr("it counts"), read: tr("read it"), adjust: tr("adjust"), leave: tr("leave"),
  end: tr("end"), "where am I": tr("where am I"), "skip channel": tr("skip channel"), "skip probe": tr("skip probe"),
  "skip part": tr("skip part"),
};
const label = word => LABELS[word] ?? word;
const SINGLE = { b: "back", s: "skip", o: "off", "=": "=", "?": "?" };
let state = null, shownKey = "", shownTold = "", sending = false;

// --- what is shown --------------------------------------------------------------------------------------------------

function render(next) {
  const fresh = state && next.run !== state.run;
  if (fresh) return location.reload();
  state = next;
  const { question, done, total } = state;
  $("unit").textContent = state.title;
  document.body.classList.toggle("ended", Boolean(state.ended));
  document.title = `${question ? question.title : "Halfpower"} · ${state.title}`;
  $("bar").max = Math.max(total, 1);
  $("bar").value = state.ended ? $("bar").max : done;
  $("beside").hidden = Boolean(state.ended);
  $("count").textContent = state.ended ? tr("ended") : state.far;
  stand(question);
  tell(state.told, state.answered);
  results();
  live(state.live);
}

// Between an aside and the question that goes on standing nothing is asked; what was being typed is kept.
function stand(question) {
  const key = JSON.stringify(question && { ...question, number: 0, graticule: null }), fresh = question && key !== shownKey;
  const focused = document.activeElement, inside = [$("reply"), $("screen"), $("beside")].some(place => place.contains(focused));
  if (fresh) { shownKey = key; ask(question); }
  if (!question) details({ first: [], lines: [], unchanged: "", hint: "" });
  else if (fresh || $("reply").hidden) details(question);
  const ending = state.ended && state.ended !== $("title").textContent;
  $("title").textContent = question ? question.title : state.ended || tr("Measuring …");
  $("reply").hidden = !question;
  $("screen").hidden = !question?.graticule;
  $("picture").disabled = !question?.photograph;
  $("remark").disabled = !question || question.kind === "choose" || question.in_words;
  if ((fresh && inside && $("remarking").hidden) || document.activeElement === document.body) $("title").focus({ preventScroll: true });
  if (fresh) { scrollTo(0, 0); speak([...(question.kind === "do" ? [question.title, ...question.first] : [...question.first, question.title]), ...question.lines, question.hint].filter(Boolean).join(". ")); }
  else if (ending) speak(state.ended);
}

function details({ first, lines, unchanged, hint }) {
  list($("first"), first);
  const drawn = lines.filter(line => /\S {3,}\S|^ |\|/.test(line));  // by characters, which must stand as they are
  list($("lines"), lines.filter(line => !drawn.includes(line)));
  $("drawing").textContent = drawn.join("\n");
  $("unchanged").textContent = unchanged && tr("as before: {unchanged}", { unchanged });
  $("hint").textContent = hint;
}

function ask(question) {
  $("text").value = "";
  say("");
  answers(question);
  $("screen").replaceChildren();
  if (question.graticule) graticule($("screen"), question.graticule, (text, why) => { $("text").value = text; say(why); });
}

function answers(question) {
  const reads = question.kind === "read", rest = RESTS_MS[question.hazard ? "hazard" : "other"];
  $("reading").hidden = !reads;
  $("done").hidden = !question.done;
  $("done").textContent = question.done ?? "";
  $("choices").replaceChildren(
    ...question.choices.map(choice => rested(button(label(choice), () => send(choice), question.hazard && choice !== "stop" ? "hazard" : ""), rest)),
    ...(question.kind === "do" ? [rested(button(tr("Done"), () => send("")), rest, "main")] : []),
  );
  $("words").replaceChildren(...question.words.map(word => button(label(word), () => send(word))));
  $("more").hidden = !question.more.length;
  $("more").querySelector("div").replaceChildren(...question.more.map(word => button(label(word), () => send(word))));
  if (reads) keypad(question);
}

function keypad(question) {
  $("text").inputMode = question.in_words ? "text" : "none";
  $("keypad").hidden = question.in_words;
  document.querySelector("label[for=text]").textContent = question.in_words ? tr("Answer") : tr("Reading");
  const own = question.graticule?.cursors === "upright" ? ["±", " up ", " down"] : ["-", ...question.units.map(unit => ` ${unit}`)].slice(-3);
  const rows = ["7", "8", "9", "⌫", "4", "5", "6", own[0], "1", "2", "3", own[1], "0", ".", "abc", own[2]];
  $("keypad").replaceChildren(...rows.map((key = "") => {
    if (!key) return document.createElement("span");
    const made = button(key.trim(), () => press(key));
    if (key === "⌫") made.setAttribute("aria-label", tr("Delete the last character"));
    if (key === "abc") made.setAttribute("aria-label", tr("Type with the keyboard of this device"));
    return made;
  }));
}

function press(key) {
  const text = $("text");
  if (key === "abc") { text.inputMode = "text"; text.blur(); text.focus(); return; }
  text.value = key === "⌫" ? text.value.slice(0, -1) : text.value + key;
}

function button(label, action, kind = "") {
  const made = document.createElement("button");
  made.type = "button";
  made.className = kind;
  made.textContent = label;
  made.addEventListener("click", action);
  return made;
}

// A button that appears under a finger on its way to another one takes no tap at first.
function rested(made, wait, kind = made.className) {
  made.className = kind;
  made.disabled = true;
  setTimeout(() => (made.disabled = false), wait);
  return made;
}

function list(place, texts) {
  place.replaceChildren(...texts.map(text => {
    const item = document.createElement("li"), [name, ...rest] = text.split(": ");
    if (rest.length) item.append(Object.assign(document.createElement("span"), { textContent: `${name}: ` }), rest.join(": "));
    else item.textContent = text;
    return item;
  }));
}

// A reading that is taken again and again: its error in limits, so that the gauge is the same for all of them.
function live(sight) {
  $("live").hidden = !sight;
  if (!sight) return;
  const { name, said, limits, word, judged, value, low, high } = sight;
  $("live").className = word.endsWith("fail") ? "fail" : word;
  $("live").querySelector("h2").textContent = name;
  $("live").querySelector(".said").textContent = said;
  $("live").querySelector(".judged").textContent = limits && tr("limit {limits}: {judged}", { limits, judged });
  const gauge = $("live").querySelector("svg"), known = value !== null && low !== null && high !== null;
  gauge.toggleAttribute("hidden", !known);
  if (!known) return;
  const at = Math.max(-2, Math.min(2, (2 * value - low - high) / (high - low)));
  gauge.setAttribute("aria-valuenow", at.toFixed(2));
  gauge.setAttribute("aria-valuetext", said);
  gauge.querySelector("circle").setAttribute("cx", 50 * at);
}

// What the run tells; a list of what may be typed has two columns.
function tell(told, answered) {
  const texts = told.length ? told : !state.question && answered && !state.ended ? [tr("Answered {where}: {text}", { where: answered[0], text: answered[1] })] : [];
  if (JSON.stringify(texts) === shownTold) return;
  shownTold = JSON.stringify(texts);
  $("told").replaceChildren(...texts.map(text => {
    if (!text.includes("\n")) return Object.assign(document.createElement("p"), { textContent: text });
    const columns = document.createElement("dl");
    for (const line of text.split("\n")) {
      const [name, what = ""] = line.split(/ {2,}/);
      columns.append(Object.assign(document.createElement("dt"), { textContent: name }));
      columns.append(Object.assign(document.createElement("dd"), { textContent: what }));
    }
    return columns;
  }));
}

// What this page has to say of what was done on it.
function say(text) {
  $("said").textContent = text;
}

function results() {
  $("results").hidden = !state.results.length;
  const cell = text => Object.assign(document.createElement("td"), { textContent: text });
  $("results").querySelector("tbody").replaceChildren(...[...state.results].reverse().map(one => {
    const row = document.createElement("tr");
    row.append(cell(`${one.part}: ${one.place}`), cell(one.applied), cell(one.read));
    return row;
  }));
  $("chart").hidden = !state.chart;
  if (state.chart) chart($("chart"), state.chart);
  $("events").hidden = !state.events.length;
  list($("events").querySelector("ul"), [...state.events].reverse());
}

// --- what a person sends --------------------------------------------------------------------------------------------

async function post(path, body, type) {
  if (sending) return false;
  sending = true;
  try {
    const reply = await fetch(path, { method: "POST", body, headers: { "content-type": type } });
    if (reply.ok) return true;
    say((await reply.json()).sentence);
  } catch {
    say(tr("Not sent: no connection. The run waits; send it again when the connection is back."));
  } finally {
    sending = false;
  }
  return false;
}

function send(text) {
  if (!state?.question) return false;
  return post("answer", JSON.stringify({ run: state.run, question: state.question.number, text }), "application/json");
}

$("reply").addEventListener("submit", event => {
  event.preventDefault();
  const text = $("text").value.trim();
  if (text) send(text);
  else if (state?.question?.kind === "do") send("");
  else say(tr("Type or tap what the screen shows first."));
});
$("done").addEventListener("click", () => send(""));

function remarking(open) {
  $("remarking").hidden = !open;
  $("remark").setAttribute("aria-expanded", open);
  (open ? $("note") : $("title")).focus({ preventScroll: true });
}
$("remark").addEventListener("click", () => remarking($("remarking").hidden));
$("remarking").addEventListener("submit", async event => {
  event.preventDefault();
  const text = $("note").value.trim();
  if (!text || !(await send(`note ${text}`))) return;
  $("note").value = "";
  remarking(false);
});

$("picture").addEventListener("click", () => $("file").click());
$("file").addEventListener("change", async () => {
  const [file] = $("file").files;
  $("file").value = "";
  if (!file || !state?.question) return;
  const asked = state.question.number;
  say(tr("Sending the photograph …"));
  const data = await smaller(file);
  if (await post(`photograph?run=${state.run}&question=${asked}`, data, "application/octet-stream")) say("");
});

// As large as a screen is read on; what is no picture is sent as it is, and the run says so.
async function smaller(file) {
  try {
    const picture = await createImageBitmap(file);
    const by = Math.min(1, LARGEST_PX / Math.max(picture.width, picture.height));
    const canvas = Object.assign(document.createElement("canvas"), { width: Math.round(picture.width * by), height: Math.round(picture.height * by) });
    canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
    return (await new Promise(done => canvas.toBlob(done, "image/jpeg", 0.85))) ?? file;
  } catch {
    return file;
  }
}

// --- eyes on the scope: spoken questions and single keys ------------------------------------------------------------

const setting = { get: name => localStorage.getItem(name), set: (name, on) => localStorage.setItem(name, on ? "on" : "off") };

function toggle(name, start, changed) {
  const pressed = (setting.get(name) ?? start) === "on";
  $(name).setAttribute("aria-pressed", pressed);
  $(name).addEventListener("click", () => {
    const on = $(name).getAttribute("aria-pressed") !== "true";
    $(name).setAttribute("aria-pressed", on);
    setting.set(name, on);
    changed(on);
  });
}
const isOn = name => $(name).getAttribute("aria-pressed") === "true";

function speak(text) {
  if (!isOn("speak") || !window.speechSynthesis) return;
  speechSynthesis.cancel();
  speechSynthesis.speak(Object.assign(new SpeechSynthesisUtterance(text), { lang: document.documentElement.lang }));
}

toggle("speak", "off", on => (on ? speak($("title").textContent) : window.speechSynthesis?.cancel()));
toggle("keys", "on", () => {});

document.addEventListener("keydown", event => {
  const question = state?.question, at = event.target;
  if (!question || !isOn("keys") || event.ctrlKey || event.altKey || event.metaKey || question.hazard) return;
  if (at.matches("input") || ((event.key === "Enter" || event.key === " ") && at.matches("button, summary"))) return;
  if (event.key === "Enter") {
    event.preventDefault();
    if (question.kind === "do" || $("text").value) $("reply").requestSubmit();
    else if (question.done) send("");
  } else if (question.kind === "read" && /^[-0-9.,±+]$/.test(event.key)) {
    $("text").focus();
  } else if (event.key === "n" && !$("remark").disabled) {
    event.preventDefault();
    $("remark").click();
  } else if (event.key === "p" && question.photograph) {
    $("picture").click();
  } else if (question.words.includes(SINGLE[event.key])) {
    event.preventDefault();
    send(SINGLE[event.key]);
  }
});

listen({
  silentMs: 8000,
  render,
  done: () => Boolean(state?.ended),
  cut: tr("No connection to the run. It waits, and nothing is lost; this page tries again by itself."),
  refused: tr("The run does not know this page any more. Scan the code at the terminal again; the run waits, and nothing is lost."),
});
