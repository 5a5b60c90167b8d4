"use strict";
// Everything works without this file. With it, tiles are fetched and put in place one by one,
// forms are sent without leaving the page, and times say how long ago they were.

const EVERY_MS = 5000;

// --- putting parts of a fetched page in place ---------------------------------------------------

function busy(part) {
  const focused = document.activeElement;
  return focused && focused !== document.body && part.contains(focused);
}

// The same but for the number that each rendering of a form gets.
function alike(part, fresh) {
  const plain = (node) => node.innerHTML.replace(/name="form_id" value="[^"]*"/g, "");
  return plain(part) === plain(fresh);
}

function put(part, fresh) {
  part.replaceChildren(...fresh.cloneNode(true).childNodes);
}

// Nothing was typed or opened here, so that a fresh copy takes nothing away.
function untouched(part) {
  if (busy(part) || part.querySelector("details[open]")) return false;
  for (const field of part.querySelectorAll("input, textarea")) { // a select stands in a part that is open
    if (field.type !== "hidden" && field.value !== field.defaultValue) return false;
  }
  return true;
}

function parsed(text) {
  return new DOMParser().parseFromString(text, "text/html");
}

// --- tiles --------------------------------------------------------------------------------------

let failed = 0;

async function refresh() {
  const holder = document.querySelector("[data-tiles]");
  if (!holder || document.hidden) return;
  const note = document.getElementById("refresh-note");
  try {
    const answer = await fetch(holder.dataset.tiles, { headers: { "X-Part": "tiles" } });
    if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
    const fresh = parsed(await answer.text());
    for (const tile of document.querySelectorAll("[data-tile]")) {
      const other = fresh.querySelector(`[data-tile="${tile.dataset.tile}"]`);
      if (other && !busy(tile)) {
        tile.className = other.className;
        if (!alike(tile, other)) put(tile, other);
      }
    }
    for (const part of document.querySelectorAll("[data-part]")) {
      const other = fresh.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
      if (other && untouched(part) && !alike(part, other)) put(part, other);
    }
    set_clock(fresh);
    failed = 0;
    if (note) note.textContent = "";
  } catch (error) {
    failed += 1;
    if (note && failed > 1) {
      note.textContent = "These figures are no longer kept up: the server does not answer.";
    }
  }
  ages();
}

// --- how long ago -------------------------------------------------------------------------------

let ahead = 0; // of the server's clock, in milliseconds; this device's may be wrong

function set_clock(root) {
  const clock = root.querySelector("[data-now]");
  if (clock) ahead = Date.now() - Date.parse(clock.dataset.now);
}

function ages() {
  const clock = document.querySelector("[data-now]");
  if (!clock || clock.dataset.speed !== "1") return; // a rehearsal's clock runs faster
  for (const node of document.querySelectorAll("time[data-ago]")) {
    const minutes = Math.round((Date.now() - ahead - Date.parse(node.dateTime)) / 60000);
    if (Number.isNaN(minutes) || minutes < 0) continue;
    const words = minutes < 1 ? "just now" : minutes < 120 ? `${minutes} min ago`
      : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min ago`;
    if (node.textContent !== words) node.textContent = words;
  }
}

// --- forms that do not leave the page -----------------------------------------------------------

async function send(form, pressed) {
  const part = form.closest("[data-part]");
  const fields = new URLSearchParams(new FormData(form));
  if (pressed && pressed.name) fields.append(pressed.name, pressed.value);
  const button = pressed || form.querySelector("button");
  if (button) button.disabled = true;
  const told = document.getElementById("told");
  try {
    const answer = await fetch(form.action, { method: "POST", body: fields });
    const fresh = parsed(await answer.text());
    const other = fresh.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
    if (!other) {
      // Another page: a refusal, or one that was asked to come next.
      if (answer.ok) { window.location.assign(answer.url); return; }
      const why = fresh.querySelector("main .strong");
      say(told, fresh.querySelector("h1"), why);
      return;
    }
    put(part, other);
    for (const rest of document.querySelectorAll("[data-part]")) {
      const new_rest = fresh.querySelector(`[data-part="${CSS.escape(rest.dataset.part)}"]`);
      if (rest !== part && new_rest && untouched(rest)) put(rest, new_rest);
    }
    const words = fresh.getElementById("told");
    if (told && words) put(told, words);
    const first = part.querySelector("[data-focus]");
    if (first) first.focus();
    refresh();
  } catch (error) {
    say(told, null, null);
  } finally {
    if (button) button.disabled = false;
  }
}

function say(told, title, why) {
  if (!told) return;
  const box = document.createElement("div");
  box.className = "asked";
  const first = document.createElement("p");
  first.textContent = title ? `Not saved. ${title.textContent}.`
    : "It is not known whether this was saved: the server did not answer.";
  const second = document.createElement("p");
  second.textContent = why ? why.textContent
    : "What you typed is still here. Press save again; it will not be counted twice.";
  box.append(first, second);
  told.replaceChildren(box);
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (!form.closest("[data-part]") || form.method !== "post") return;
  event.preventDefault();
  send(form, event.submitter);
});

// --- keys ---------------------------------------------------------------------------------------

document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const on = event.target;
  if (on instanceof HTMLElement && on.closest("input, textarea, select, [contenteditable]")) {
    if (event.key === "Escape") on.blur();
    return;
  }
  const place = document.querySelector(`[data-key="${CSS.escape(event.key)}"]`);
  if (!place) return;
  event.preventDefault();
  if (place.tagName === "A") place.click();
  else {
    place.focus();
    place.scrollIntoView({ block: "start" });
  }
});

// --- a page that waits for something -------------------------------------------------------------

async function wait() {
  const holder = document.querySelector("[data-wait]");
  if (!holder) return;
  try {
    const answer = await fetch(window.location.href);
    const fresh = parsed(await answer.text());
    const other = fresh.querySelector("[data-wait]");
    if (!other || answer.redirected) { window.location.assign(answer.url); return; }
    if (!busy(holder)) put(holder, other);
  } catch (error) { /* asked again */ }
  window.setTimeout(wait, 1000);
}

set_clock(document);
ages();
window.setInterval(refresh, EVERY_MS);
window.setInterval(ages, 15000);
window.setTimeout(wait, 1000);
