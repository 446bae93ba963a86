// Keep the page new: ask for it again every 10 s, and say loudly when no answer comes.
"use strict";

const EVERY_MS = 10000;
const LATE_MS = 30000;
const SOON_MS = 2000;
const THEMES = ["", "dark", "light"]; // of the device; always dark; always light
let main, silence, said;
let answeredAt = Date.now();
let isAsking = false;

async function refresh() {
  if (isAsking) return;
  isAsking = true;
  try {
    const answer = await fetch(location.href, { cache: "no-store", signal: AbortSignal.timeout(8000) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const newer = page.getElementById("main");
    if (answer.headers.get("x-vatvigil") !== "page" || newer === null) throw new Error("no page of ours");
    answeredAt = Date.now();
    show(page, newer);
  } catch {
    // It is said below, once it lasts.
  } finally {
    isAsking = false;
    tell();
    lookAgainSoon();
  }
}

function lookAgainSoon() {
  if (document.getElementById("drawing") !== null) setTimeout(refresh, SOON_MS);
}

function show(page, newer) {
  document.title = page.title;
  if (!getSelection().isCollapsed) return; // somebody is copying
  const opened = [...main.querySelectorAll("details[open]")].map((each) => each.id);
  const focused = main.contains(document.activeElement) ? document.activeElement.id : "";
  main.replaceChildren(...newer.childNodes);
  for (const id of opened) document.getElementById(id)?.setAttribute("open", "");
  if (focused) document.getElementById(focused)?.focus({ preventScroll: true });
  if (newer.dataset.said !== main.dataset.said) {
    main.dataset.said = newer.dataset.said;
    said.textContent = newer.dataset.said; // what a screen reader says: only what changed
  }
}

function tell() {
  const seconds = Math.round((Date.now() - answeredAt) / 1000);
  const isLate = Date.now() - answeredAt > LATE_MS;
  document.body.classList.toggle("late", isLate);
  silence.hidden = !isLate;
  if (!isLate) return;
  const ago = seconds < 120 ? `${seconds} s` : seconds < 7200 ? `${Math.floor(seconds / 60)} min` : `${Math.floor(seconds / 3600)} h`;
  const words = `NO ANSWER for ${ago}. What is below is old: look at the vats yourself, or at the machine of the watch.`;
  if (silence.textContent !== words) silence.textContent = words;
  document.title = `! ${document.title.replace(/^! /, "")}`;
}

function theme() {
  try {
    return THEMES.includes(localStorage.theme) ? localStorage.theme : "";
  } catch {
    return ""; // nothing may be kept here
  }
}

function setTheme(name) {
  try {
    localStorage.theme = name;
  } catch {
    // It lasts as long as this page.
  }
  document.documentElement.dataset.theme = name;
}

function begin() {
  main = document.getElementById("main");
  silence = document.getElementById("silence");
  said = document.getElementById("said");
  const button = document.getElementById("theme");
  const name = () => {
    button.textContent = `Colours: ${document.documentElement.dataset.theme || "as the device"}`;
  };
  button.addEventListener("click", () => {
    setTheme(THEMES[(THEMES.indexOf(document.documentElement.dataset.theme) + 1) % THEMES.length]);
    name();
  });
  name();
  button.hidden = false;
  lookAgainSoon();
  setInterval(tell, 5000);
  setInterval(() => document.hidden || refresh(), EVERY_MS);
  document.addEventListener("visibilitychange", () => {
    if (document.hidden) return;
    tell(); // a telephone that slept must not show the evening as if it were now
    refresh();
  });
  addEventListener("pageshow", (event) => event.persisted && refresh());
  addEventListener("online", refresh);
}

document.documentElement.dataset.theme = theme(); // before anything is drawn: a flash of white hurts at night
document.addEventListener("DOMContentLoaded", begin);
