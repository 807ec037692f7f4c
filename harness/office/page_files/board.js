// The office page: it shows the last state that was sent, and sends nothing but that somebody signs out.

import { listen, warn } from "./stream.js";

const $ = id => document.getElementById(id);
let ended = false, shown = "";

// --- what is shown --------------------------------------------------------------------------------------------------

function render(state) {
  $("name").textContent = state.title;
  $("looked-at").textContent = state.at && `looked at ${time(state.at, true)}`;
  $("mark").textContent = state.marks.join("; ");
  $("mark").hidden = !state.marks.length;
  const { at, ...rest } = state, key = JSON.stringify([Boolean(at), rest]);
  if (key !== shown) { shown = key; all(state); } // what has not changed is not drawn anew under a reader
  if (state.ended) {
    ended = true;
    warn(state.ended);
  }
}

function all(state) {
  const none = text => state.at ? text : "…"; // nothing is said of what was not looked at yet
  doubt(state);
  list("queues", state.queues.map(queue), none("No queue is at work or ended lately."));
  list("runs", state.runs.map(run => card({ title: run.unit, word: "not finished", kind: "open", beside: `${run.number} · ${run.bench}`, said: run.sentence })));
  list("failed", state.failed.map(one => card({ title: one.unit || one.where, word: time(one.at), kind: "bad", beside: one.unit && one.where, said: one.sentence })), none("Nothing failed in the last two weeks."));
  list("reports", state.reports.map(one => card({ title: one.unit, word: one.word, kind: one.kind, beside: [one.number, one.state, time(one.at), one.bench].filter(Boolean).join(" · "), small: one.folder })), none("No run has ended yet."));
  list("drafts", state.drafts.map(one => card({ title: one.unit, word: time(one.at), kind: "open", beside: one.number, said: one.sentence })));
  list("standards", state.standards.map(due), none("None is due soon."));
  list("units", state.units.map(due), none("None is due soon."));
  list("problems", state.problems.map(text => card({ kind: "bad", said: text })));
  $("looked").textContent = state.looked;
}

function doubt({ in_doubt: sentences, at, looked, problems }) {
  const some = sentences.length, sure = at && looked && !problems.length;
  $("doubt").classList.toggle("on", Boolean(some));
  $("doubt").classList.toggle("unsure", !some && !sure);
  $("doubt").setAttribute("role", some ? "alert" : "status");
  $("title").textContent = some ? "An output may still be on"
    : sure ? "✓ No output is known to be in doubt"
    : !at ? "Looking through the folders …"
    : looked ? "No output is known to be in doubt, but not everything could be read"
    : "Outputs are not looked at: no folder of runs was named";
  document.title = `${some ? "! An output may still be on" : "The office"} · Halfpower`;
  $("doubt").querySelector("ul").replaceChildren(...sentences.map(text => made("li", text)));
  $("doubt").querySelector(".next").hidden = !some;
}

function queue(one) {
  const bar = made("progress");
  bar.max = 1;
  bar.value = one.done;
  bar.setAttribute("aria-label", `Progress of ${one.name}`);
  const jobs = made("ul");
  jobs.append(...one.jobs.map(job => {
    const item = made("li", "", job.kind);
    item.append(made("span", `${job.name}: ${job.unit}`), made("span", job.word, "word"));
    return item;
  }));
  return card({ title: one.title, word: one.word, kind: one.kind, beside: `${one.name} · ${one.host} · ${time(one.at)}`, said: one.sentence }, bar, jobs);
}

function due(one) {
  return card({ title: one.what, word: one.word, kind: one.kind, beside: [one.day, one.detail].filter(Boolean).join(" · ") });
}

function card({ title = "", word = "", kind = "none", beside = "", said = "", small = "" }, ...more) {
  const place = made("article", "", `card ${kind}`);
  if (title) {
    const top = made("p", "", "top");
    top.append(made("strong", title), made("span", word, "word"));
    place.append(top);
  }
  if (beside) place.append(made("p", beside, "beside"));
  if (said) place.append(made("p", said, "said"));
  if (small) place.append(made("p", small, "beside"));
  place.append(...more);
  return place;
}

// A list that is empty says so, or is not there.
function list(id, cards, none) {
  $(id).hidden = !cards.length && !none;
  $(id).querySelector(".list").replaceChildren(...(cards.length ? cards : [made("p", none, "empty")]));
}

function made(name, text = "", kind = "") {
  const place = document.createElement(name);
  if (kind) place.className = kind;
  place.textContent = text;
  return place;
}

function time(text, seconds = false) {
  const at = new Date(text), two = number => String(number).padStart(2, "0");
  if (Number.isNaN(at.getTime())) return text;
  const clock = `${two(at.getHours())}:${two(at.getMinutes())}${seconds ? `:${two(at.getSeconds())}` : ""}`;
  return `${at.getFullYear()}-${two(at.getMonth() + 1)}-${two(at.getDate())} ${clock}`;
}

// --- signing out ----------------------------------------------------------------------------------------------------

$("leave").addEventListener("click", async () => {
  await fetch("leave", { method: "POST" }).catch(() => {});
  location.replace("/");
});
fetch("account").then(reply => reply.json()).then(({ signed }) => { $("leave").hidden = !signed; }).catch(() => {});

listen({
  silentMs: 12000,
  render,
  done: () => ended,
  cut: "No connection. What stands here may be old; this page tries again by itself.",
  refused: "This page is not let in any more: load it again and sign in, or open the address that the terminal shows.",
});
