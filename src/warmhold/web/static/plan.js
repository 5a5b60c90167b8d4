"use strict";
// A changed field of the plan brings fresh margins. Only the panel of margins and the words beside
// the fields are written; the fields themselves never are.

(() => {
  const WAIT_MS = 80; // after a key; less than between two keys of a number that is typed
  const form = document.getElementById("plan-form");
  if (!form || !form.dataset.plan) return;
  const place = document.getElementById("margins");
  const panel = place.closest(".plan-margins");
  const told = document.getElementById("margins-told");
  const touched = new Set();
  let timer = 0;
  let asking = false;
  let again = false;
  let formNumber = 0; // the server may write the form anew
  let last = "";

  function fields() {
    return new URLSearchParams(new FormData(form));
  }

  function beside(fresh) {
    const faults = new Map();
    for (const one of fresh.querySelectorAll("[data-fault]")) {
      faults.set(one.dataset.fault, one);
    }
    const read = new Map();
    for (const one of fresh.querySelectorAll("[data-understood]")) {
      read.set(one.dataset.understood, one.textContent);
    }
    for (const more of form.querySelectorAll("[data-more]")) {
      const id = more.id.slice(0, -"-more".length);
      const fault = faults.get(id) || faults.get(`${id}-spread`) || faults.get(`${id}-1`);
      const shown = more.classList.contains("fault");
      const say = fault && (shown || (touched.has(id) && !fault.dataset.empty));
      const words = say ? fault.textContent : more.dataset.hint;
      if (more.textContent !== words) more.textContent = words;
      more.className = say ? "fault" : "hint";
      for (const input of [id, `${id}-1`, `${id}-2`]) {
        const node = document.getElementById(input);
        if (node && node.matches("input, select")) node.toggleAttribute("aria-invalid", Boolean(say));
        if (node && say && node.matches("input, select")) node.setAttribute("aria-invalid", "true");
      }
      const line = document.getElementById(`${id}-read`);
      const understood = read.get(id) || read.get(`${id}-spread`) || read.get(`${id}-1`)
        || read.get(`${id}-2`) || "";
      if (line && line.textContent !== understood) line.textContent = understood;
    }
  }

  // One question at a time: while an answer is worked out, the newest fields wait for their turn.
  async function ask() {
    window.clearTimeout(timer);
    if (asking) { again = true; return; }
    const sent = fields();
    if (sent.toString() === last) { panel.classList.remove("stale"); return; }
    const mine = formNumber;
    asking = true;
    again = false;
    panel.classList.add("stale");
    try {
      const answer = await fetch(form.dataset.plan, { method: "POST", body: sent });
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      const margins = fresh.querySelector("[data-margins]");
      if (!answer.ok || !margins) throw new Error(String(answer.status));
      if (mine === formNumber) {
        last = sent.toString();
        show(fresh, margins);
      }
    } catch {
      if (mine === formNumber) unanswered();
    }
    asking = false;
    if (again) ask();
  }

  function show(fresh, margins) {
    beside(fresh);
    place.replaceChildren(margins);
    if (again) return; // of fields that have changed since: it stays marked as such
    const word = margins.querySelector(".verdict-now");
    const why = margins.querySelector(".strong");
    const bar = form.querySelector("[data-verdict]");
    if (bar && word) bar.textContent = word.textContent.trim().toLowerCase();
    told.textContent = `${word ? word.textContent.trim() : ""}. ${why ? why.textContent : ""}`;
    panel.classList.remove("stale");
  }

  function unanswered() {
    told.textContent = "";
    const line = document.createElement("p");
    line.className = "asked";
    line.textContent = "These margins are not those of the fields as they stand: the server did "
      + "not answer. Press “Work out”.";
    const old = place.querySelector(".asked");
    if (old) old.remove();
    place.prepend(line);
  }

  function changed(event) {
    const name = event.target.name || "";
    if (!name) return;
    touched.add(`f-${name.replace(/\.(spread|1|2)$/, "").replaceAll(".", "-")}`);
    window.clearTimeout(timer);
    timer = window.setTimeout(ask, event.type === "change" ? 0 : WAIT_MS);
  }

  form.addEventListener("input", changed);
  form.addEventListener("change", changed);
  document.addEventListener("click", (event) => {
    // A link to a field opens the row that holds it.
    const link = event.target.closest && event.target.closest('a[href^="#f-"]');
    const goal = link && document.getElementById(link.getAttribute("href").slice(1));
    if (!goal) return;
    event.preventDefault();
    for (let box = goal.closest("details"); box; box = box.parentElement.closest("details")) {
      box.open = true;
    }
    goal.focus();
    goal.scrollIntoView({ block: "center" });
  });
  form.addEventListener("put", () => { // the server wrote the form anew, margins and all
    window.clearTimeout(timer);
    formNumber += 1;
    panel.classList.remove("stale");
    last = fields().toString();
  });
  last = fields().toString();
})();
