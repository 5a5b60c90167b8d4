"use strict";

// Everything works without this file. With it, tiles are fetched and put in place one by one,
// forms are sent without leaving the page, what is half typed is kept in this tab, and times say
// how long ago they were.

const EVERY_MS = 5000;
// A server that takes longer than this does not answer: a save is then not called saved.
const TILES_MS = 8000, SAVE_MS = 15000;
document.documentElement.classList.add("js");

// --- fields: as the page gave them, and as they were typed --------------------------------------

const FIELDS = 'input:not([type="hidden"], [type="password"]), textarea, select';
const NOT_OURS = /^\/(enter|look)(\/|$)/; // who comes in, and light or dark: never kept

function given(field) {
  if (field.type === "checkbox" || field.type === "radio") return field.defaultChecked;
  if (field.tagName === "SELECT") {
    const chosen = [...field.options].find((one) => one.defaultSelected) || field.options[0];
    return chosen ? chosen.value : "";
  }
  return field.defaultValue;
}

function held(field) {
  return field.type === "checkbox" || field.type === "radio" ? field.checked : field.value;
}

function hold(field, value) {
  if (field.type === "checkbox" || field.type === "radio") field.checked = value;
  else field.value = value;
}

// What was refused comes back as the page's own, but was typed all the same.
function typed(field) {
  return field.hasAttribute("data-typed") || held(field) !== given(field);
}

function fields_of(form) {
  return [...form.elements].filter((one) => one.name && one.matches(FIELDS) && !one.readOnly);
}

function own_id(form) {
  return form.querySelector('input[name="form_id"]');
}

function path_of(form) {
  return new URL(form.getAttribute("action") || "", window.location.href).pathname;
}

// Tells a form from its neighbours, in each rendering the same.
function name_of(form) {
  const about = form.querySelector('input[type="hidden"]:is([name="part"], [name="item"], [name="limit"])');
  return `${path_of(form)} ${about ? about.value : ""}`.trim();
}

function is_ours(form) {
  return form.method === "post" && form.closest("main") && !NOT_OURS.test(path_of(form));
}

// --- putting parts of a fetched page in place ---------------------------------------------------
// Nodes that are there stay there and are only changed, so that the focus, the caret and an
// on-screen keyboard stay where they are.

function busy(part) {
  const focused = document.activeElement;
  return focused && focused !== document.body && part.contains(focused);
}

// Nothing was typed or opened here, so that a fresh copy takes nothing away.
function untouched(part) {
  if (busy(part) || part.querySelector("details[open]")) return false;
  return ![...part.querySelectorAll(FIELDS)].some(typed);
}

function key_of(node) {
  if (node.nodeType !== Node.ELEMENT_NODE) return "";
  if (node.id) return `#${node.id}`;
  if (node.dataset.keep) return `keep ${node.dataset.keep}`;
  if (node.dataset.part) return `part ${node.dataset.part}`;
  if (node.tagName === "FORM") return `form ${node.method} ${name_of(node)}`;
  const name = node.getAttribute("name");
  if (!name || node.tagName === "DETAILS") return "";
  const many = node.tagName === "BUTTON" || node.type === "checkbox" || node.type === "radio";
  return `${node.tagName} ${name} ${many ? node.value : ""}`;
}

const LEFT_ALONE = ["data-typed", "aria-disabled", "aria-busy"]; // this script's own

// how.keeps(field): what was typed into it stays; how.renews(form): it gets a number of its own
// afresh; how.folds: rows open and shut as in the fresh copy
function become(node, fresh, how) {
  const is_field = node.matches(FIELDS);
  const stays = is_field && how.keeps(node);
  const value = is_field ? held(node) : null;
  const skips = (name) => LEFT_ALONE.includes(name)
    || (node.tagName === "DETAILS" && (name === "open" || (name === "name" && node.open)));
  const number = node.tagName === "INPUT" && node.name === "form_id" && node.form;
  if (!(number && !how.renews(node.form))) {
    for (const { name } of [...node.attributes]) {
      if (!fresh.hasAttribute(name) && !skips(name)) node.removeAttribute(name);
    }
    for (const { name, value: text } of fresh.attributes) {
      if (node.getAttribute(name) !== text && !skips(name)) node.setAttribute(name, text);
    }
  }
  children_become(node, fresh, how);
  if (node.tagName === "DETAILS") {
    if (fresh.open) unfold(node);
    else if (how.folds && node.classList.contains("row")) node.open = false;
  }
  if (is_field) {
    if (!stays) node.removeAttribute("data-typed");
    hold(node, stays ? value : given(node));
  }
}

// Beside its neighbours, not instead of them: one of them may be half typed.
function unfold(details) {
  if (details.open) return;
  details.removeAttribute("name");
  details.open = true;
}

function children_become(node, fresh, how) {
  const mine = (one) => one.nodeType === Node.ELEMENT_NODE && one.hasAttribute("data-own");
  const keyed = new Map();
  const others = [];
  for (const one of node.childNodes) {
    if (mine(one)) continue;
    const key = key_of(one);
    if (key && !keyed.has(key)) keyed.set(key, one);
    else others.push(one);
  }
  const pairs = [...fresh.childNodes].map((want) => {
    const key = key_of(want);
    let have = null;
    if (key) {
      have = keyed.get(key) || null;
      keyed.delete(key);
    } else {
      const place = others.findIndex((one) => one.nodeName === want.nodeName && !key_of(one));
      if (place >= 0) [have] = others.splice(place, 1);
    }
    return [have, want];
  });
  for (const gone of [...keyed.values(), ...others]) gone.remove();
  const after = (one) => { while (one && mine(one)) one = one.nextSibling; return one; };
  let next = after(node.firstChild);
  for (const [have, want] of pairs) {
    if (!have) {
      node.insertBefore(document.importNode(want, true), next);
      continue;
    }
    if (have !== next && have.nodeType === Node.ELEMENT_NODE && busy(have)) {
      while (next && next !== have) { // the others move, not what holds the focus
        const moved = next;
        next = after(next.nextSibling);
        node.append(moved);
      }
    } else if (have !== next) node.insertBefore(have, next);
    if (have === next) next = after(next.nextSibling);
    if (have.nodeType !== Node.ELEMENT_NODE) {
      if (have.data !== want.data) have.data = want.data;
    } else become(have, want, how);
  }
}

const KEEPING = { keeps: typed, renews: () => false, folds: false };

function put(part, fresh, how = KEEPING) {
  const focused = document.activeElement;
  become(part, fresh, how);
  if (focused && focused !== document.activeElement && focused.isConnected && part.contains(focused)) {
    focused.focus({ preventScroll: true });
  }
}

function parsed(text) {
  return new DOMParser().parseFromString(text, "text/html");
}

function twin(root, part) {
  return root.querySelector(`[data-part="${CSS.escape(part.dataset.part)}"]`);
}

function form_named(root, name) {
  return [...root.querySelectorAll("form")].find((one) => one.method === "post" && name_of(one) === name);
}

// --- tiles --------------------------------------------------------------------------------------

let failed = 0;

async function refresh() {
  const holder = document.querySelector("[data-tiles]");
  if (!holder || document.hidden) return;
  const note = document.getElementById("refresh-note");
  try {
    const answer = await fetch(holder.dataset.tiles, {
      headers: { "X-Part": "tiles" }, signal: AbortSignal.timeout(TILES_MS),
    });
    if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
    const fresh = parsed(await answer.text());
    for (const tile of document.querySelectorAll("[data-tile]")) {
      const other = fresh.querySelector(`[data-tile="${tile.dataset.tile}"]`);
      if (other && !busy(tile)) put(tile, other);
    }
    for (const part of document.querySelectorAll("[data-part]")) {
      const other = twin(fresh, part);
      if (other && untouched(part)) put(part, other);
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
    const words = ago(minutes);
    if (node.textContent !== words) node.textContent = words;
  }
}

function ago(minutes) {
  return minutes < 1 ? "just now" : minutes < 120 ? `${minutes} min ago`
    : `${Math.floor(minutes / 60)} h ${String(minutes % 60).padStart(2, "0")} min ago`;
}

// --- what was typed and not saved, kept in this tab alone ----------------------------------------

const DRAFT = "warmhold-draft ";
const ASIDE = " aside";

function kept_under(form) {
  const query = form.dataset.draft === "whole" ? window.location.search : "";
  return `${DRAFT}${document.body.dataset.who || ""} ${window.location.pathname}${query} ${name_of(form)}`;
}

function recall(key) {
  try { return JSON.parse(window.sessionStorage.getItem(key)); } catch (error) { return null; }
}

function remember(key, draft) {
  try {
    if (draft) window.sessionStorage.setItem(key, JSON.stringify(draft));
    else window.sessionStorage.removeItem(key);
  } catch (error) { /* no room, or not allowed: the page works without */ }
}

function drafts() {
  try {
    return Object.keys(window.sessionStorage).filter((key) => key.startsWith(DRAFT));
  } catch (error) { return []; }
}

// Every field of the plan, for its rows come and go; of any other form what was typed.
function draft_of(form) {
  const seen = new Map();
  const found = [];
  for (const field of fields_of(form)) {
    const nth = seen.get(field.name) || 0;
    seen.set(field.name, nth + 1);
    if (typed(field)) found.push([field.name, nth, held(field)]);
  }
  if (form.dataset.draft !== "whole") return found;
  return [...new FormData(form)].filter(([name]) => !["token", "form_id"].includes(name));
}

function keep_draft(form, sent = false) {
  if (!is_ours(form)) return;
  const key = kept_under(form);
  const fields = draft_of(form);
  const before = recall(key);
  const number = own_id(form);
  remember(key, fields.length ? {
    at: Date.now(), fields,
    // sent, and perhaps saved: sent again under the same number it counts once
    id: sent && number ? number.value : (before && number && before.id === number.value ? before.id : ""),
  } : null);
}

function drop_draft(form) {
  remember(kept_under(form), null);
  const line = form.querySelector("[data-own].draft");
  if (line) line.remove();
}

function draft_line(form, words, buttons) {
  const old = form.querySelector("[data-own].draft");
  if (old) old.remove();
  const line = document.createElement("div");
  line.className = "draft";
  line.dataset.own = "";
  line.setAttribute("role", "status");
  const text = document.createElement("span");
  text.textContent = words;
  line.append(text);
  for (const [label, does] of buttons) {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = label;
    button.addEventListener("click", () => does(line));
    line.append(" ", button);
  }
  form.prepend(line);
}

function is_back(form, draft, clear) {
  const minutes = Math.round((Date.now() - draft.at) / 60000);
  draft_line(form, `What you had typed is back, typed ${ago(minutes)}.`, [["Clear it", clear]]);
  for (let box = form.closest("details"); box; box = box.parentElement.closest("details")) unfold(box);
}

function fill_in(form) {
  const key = kept_under(form);
  const draft = recall(key);
  if (!draft || !draft.fields.length) return;
  const places = new Map();
  for (const field of fields_of(form)) {
    places.set(field.name, [...(places.get(field.name) || []), field]);
  }
  const number = own_id(form);
  const fresh_id = number ? number.value : "";
  let count = 0;
  for (const [name, nth, value] of draft.fields) {
    const field = (places.get(name) || [])[nth];
    if (!field || typeof held(field) !== typeof value) continue;
    hold(field, value);
    if (typed(field)) {
      count += 1;
      for (let box = field.closest("details"); box; box = box.parentElement.closest("details")) unfold(box);
    }
  }
  if (!count) { remember(key, null); return; }
  if (draft.id && number) number.value = draft.id;
  is_back(form, draft, () => {
    for (const field of fields_of(form)) {
      field.removeAttribute("data-typed");
      hold(field, given(field));
    }
    if (number) number.value = fresh_id;
    drop_draft(form);
    const first = fields_of(form).find((field) => field.offsetParent);
    if (first) first.focus();
  });
}

// The plan comes back as a whole: the server writes its rows.
async function fill_in_whole(form, key) {
  const draft = recall(key);
  if (!draft || !draft.fields.length) return;
  const fields = new URLSearchParams(draft.fields.filter(([name]) => name !== "do"));
  fields.append("token", form.querySelector('input[name="token"]').value);
  fields.append("do", "again");
  form.inert = true;
  try {
    const answer = await fetch(form.action, { method: "POST", body: fields });
    const fresh = parsed(await answer.text());
    if (!answer.ok || !form_named(fresh, name_of(form))) return;
    put(document.getElementById("main"), fresh.getElementById("main"), {
      keeps: (field) => field.form !== form && typed(field), renews: () => false, folds: true,
    });
  } catch (error) {
    return; // it stays kept, for the next time
  } finally {
    form.inert = false;
  }
  if (key !== kept_under(form)) remember(key, null);
  remember(kept_under(form), draft);
  is_back(form, draft, () => {
    remember(kept_under(form), null);
    window.location.reload();
  });
  form.dispatchEvent(new Event("put"));
}

function other_plans(form) {
  const whose = `${DRAFT}${document.body.dataset.who || ""} /plan`;
  const ends = [` ${name_of(form)}`, ` ${name_of(form)}${ASIDE}`];
  return drafts().filter((key) => key.startsWith(whose) && ends.some((end) => key.endsWith(end))
    && key !== kept_under(form)).sort((a, b) => recall(b).at - recall(a).at);
}

function bring_back() {
  for (const key of drafts()) { // a plan that has become a trip
    const draft = recall(key);
    if (draft && draft.job && window.location.pathname.startsWith(`/trip/t${draft.job.slice(0, 12)}/`)) {
      remember(key, null);
    }
  }
  for (const form of document.querySelectorAll("main form")) {
    if (!is_ours(form)) continue;
    if (form.dataset.draft !== "whole") { fill_in(form); continue; }
    let anew = null;
    try {
      anew = window.sessionStorage.getItem("warmhold-anew");
      window.sessionStorage.removeItem("warmhold-anew");
    } catch (error) { /* then there is nothing to bring back either */ }
    const key = kept_under(form);
    if (anew && recall(key)) {
      remember(`${key}${ASIDE}`, recall(key));
      remember(key, null);
    }
    const [other] = other_plans(form);
    if (recall(key)) fill_in_whole(form, key);
    else if (other) {
      const minutes = Math.round((Date.now() - recall(other).at) / 60000);
      draft_line(form, `A plan that you were writing is kept, typed ${ago(minutes)}.`, [
        ["Bring it back", () => fill_in_whole(form, other)],
        ["Forget it", (line) => { remember(other, null); line.remove(); }],
      ]);
    }
  }
}

for (const what of ["input", "change"]) {
  document.addEventListener(what, (event) => {
    const field = event.target;
    if (field.form && field.matches(FIELDS)) keep_draft(field.form);
  });
}

// --- forms that do not leave the page -----------------------------------------------------------

// What a button takes along: a field with data-for belongs to that button alone.
function is_taken(field, pressed) {
  return !field.dataset.for || (pressed && pressed.value === field.dataset.for);
}

function as_sent(form, pressed) {
  const fields = [...new FormData(form)].filter(([name]) => name !== "form_id");
  if (pressed && pressed.name) fields.push([pressed.name, pressed.value]);
  return { fields, values: new Map(fields_of(form).map((one) => [one, held(one)])),
    focus: document.activeElement };
}

// Returns whether it was taken.
async function send(form, pressed, sent) {
  if (!form.isConnected) return false;
  const told = document.getElementById("told");
  const name = name_of(form);
  const fields = new URLSearchParams(sent.fields);
  const number = own_id(form);
  if (number) fields.append("form_id", number.value);
  keep_draft(form, true);
  try {
    const answer = await fetch(form.action, {
      method: "POST", body: fields, signal: AbortSignal.timeout(SAVE_MS),
    });
    const fresh = parsed(await answer.text());
    form.inert = false;
    const part = form.closest("[data-part]");
    const other = part ? twin(fresh, part) : null;
    const saved = answer.ok && answer.redirected;
    if (saved && !other) { // what comes next is another page
      const job = new URL(answer.url).pathname.match(/^\/plan\/working\/(.+)$/);
      const draft = recall(kept_under(form));
      if (form.dataset.draft === "whole" && job && draft) {
        remember(kept_under(form), { ...draft, job: job[1] });
      } else drop_draft(form);
      window.location.assign(answer.url);
      return true;
    }
    if (!form_named(fresh, name) && !(saved && other)) { // a page that only says why not
      say(told, fresh.querySelector("h1"), fresh.querySelector("main .strong"));
      return false;
    }
    if (saved) was_saved(form, pressed, sent, part, other, fresh);
    else was_shown_again(form, pressed, sent, part, other, fresh, answer.ok);
    return saved || answer.ok;
  } catch (error) {
    form.inert = false;
    say(told, null, null);
    return false;
  }
}

function moved_on(sent, pressed) {
  const now = document.activeElement;
  return now && now !== document.body && now !== pressed && now !== sent.focus;
}

function was_saved(form, pressed, sent, part, other, fresh) {
  const away = moved_on(sent, pressed);
  put(part, other, {
    keeps: (field) => (field.form === form && is_taken(field, pressed)
      ? held(field) !== sent.values.get(field) : typed(field)),
    renews: (one) => one === form,
    folds: false,
  });
  if (form.isConnected) {
    if (fields_of(form).some(typed)) keep_draft(form);
    else drop_draft(form);
    const rest = fields_of(form).some(typed);
    const box = form.closest("details") || form.querySelector("details[open]");
    if (box && box.open && !rest && !(away && box.contains(document.activeElement))) {
      const inside = box.contains(document.activeElement) || document.activeElement === document.body;
      box.open = false;
      if (inside && !away) box.querySelector("summary").focus({ preventScroll: true });
    }
  }
  for (const one of document.querySelectorAll("[data-part]")) {
    const new_one = twin(fresh, one);
    if (one !== part && new_one && untouched(one)) put(one, new_one);
  }
  const told = document.getElementById("told");
  const words = fresh.getElementById("told");
  if (told && words) put(told, words);
  refresh();
}

function was_shown_again(form, pressed, sent, part, other, fresh, good) {
  const away = moved_on(sent, pressed);
  const whole = form.dataset.draft === "whole";
  const alone = form.hasAttribute("data-alone") && !good;
  const scope = alone ? form : part || document.getElementById("main");
  const source = alone ? form_named(fresh, name_of(form)) : part ? other : fresh.getElementById("main");
  const was_typed = new Set(fields_of(form).filter(typed));
  const told = document.getElementById("told");
  if (told && "own" in told.dataset) told.replaceChildren();
  for (const one of document.querySelectorAll('main form[data-draft="whole"]')) {
    const draft = recall(kept_under(one));
    if (good && !part && one !== form && draft) remember(`${kept_under(one)}${ASIDE}`, draft);
  }
  put(scope, source, {
    keeps: (field) => {
      if (field.form !== form) return good && !part ? false : typed(field);
      return whole ? held(field) !== sent.values.get(field) : typed(field);
    },
    renews: (one) => one === form,
    folds: whole || (good && !part),
  });
  if (!whole) for (const field of was_typed) field.setAttribute("data-typed", "");
  for (const one of document.querySelectorAll('main form[data-draft="whole"]')) {
    if (good && !part) keep_draft(one);
    one.dispatchEvent(new Event("put"));
  }
  keep_draft(form, !good && !whole);
  const words = fresh.getElementById("told");
  if (told && words && (part || alone)) put(told, words);
  const about = form.closest("section") || form;
  const wrong = form.querySelector('[aria-invalid="true"]');
  if (!good && !whole && told && !told.textContent.trim()) count_faults(told, about);
  if (away) return;
  const goal = (whole || !wrong ? scope.querySelector("[autofocus]") : null) || wrong
    || scope.querySelector("[data-focus]") || (good ? null : about.querySelector(".asked, .fault"));
  if (!goal) return;
  if (goal.matches(".asked, .fault")) goal.tabIndex = -1;
  for (let box = goal.closest("details"); box; box = box.parentElement.closest("details")) unfold(box);
  goal.focus();
}

function count_faults(told, about) {
  const invalid = [...about.querySelectorAll('[aria-invalid="true"]')];
  const wrong = new Set(invalid.map((one) => one.name || one)).size
    || about.querySelectorAll(".fault").length;
  const asked = about.querySelectorAll(".asked").length;
  if (!wrong && !asked) return;
  told_line(told, [wrong
    ? `Not saved: ${wrong} ${wrong === 1 ? "entry needs" : "entries need"} a look.`
    : "Not saved yet: something is asked first."]);
}

function told_line(told, lines) {
  const box = document.createElement("div");
  box.className = "asked";
  for (const line of lines) {
    const one = document.createElement("p");
    one.textContent = line;
    box.append(one);
  }
  told.replaceChildren(box);
}

function say(told, title, why) {
  if (!told) return;
  told_line(told, [
    title ? `Not saved. ${title.textContent}.`
      : "It is not known whether this was saved: the server did not answer.",
    why ? why.textContent
      : "What you typed is still here. Press save again; it will not be counted twice.",
  ]);
}

// One after another, so that two taps in a row are two entries; the same tap twice is one.
const under_way = new Map();

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.hasAttribute("data-anew")) set_anew();
  if (path_of(form) === "/enter/leave") for (const key of drafts()) remember(key, null);
  if (!is_ours(form)) return;
  event.preventDefault();
  const pressed = event.submitter;
  if (pressed && pressed.getAttribute("aria-disabled") === "true") return;
  if (pressed) pressed.setAttribute("aria-disabled", "true");
  const sent = as_sent(form, pressed);
  // rows that move take their fields along: nothing can be typed meanwhile
  const moves = form.dataset.draft === "whole" && pressed && !["work", "plan"].includes(pressed.value);
  if (moves) form.inert = true;
  form.setAttribute("aria-busy", "true");
  const turn = (under_way.get(form) || Promise.resolve(true))
    .then((good) => (good ? send(form, pressed, sent) : false));
  under_way.set(form, turn);
  turn.finally(() => {
    if (pressed) pressed.removeAttribute("aria-disabled");
    if (under_way.get(form) !== turn) return;
    under_way.delete(form);
    form.removeAttribute("aria-busy");
  });
});

function set_anew() {
  try { window.sessionStorage.setItem("warmhold-anew", "1"); } catch (error) { /* no matter */ }
}

// What is not good is asked for where it was said.
document.addEventListener("change", (event) => {
  const chosen = event.target;
  if (chosen.type !== "radio" || chosen.value !== "bad") return;
  const more = chosen.closest(".does")?.querySelector("details");
  if (more) more.open = true;
});

document.addEventListener("click", (event) => {
  if (event.target.closest && event.target.closest("a[data-anew]")) set_anew();
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
    if (!other || answer.redirected) { window.location.replace(answer.url); return; }
    put(holder, other);
  } catch (error) { /* asked again */ }
  window.setTimeout(wait, 1000);
}

// A place for what is told must be there before anything is told.
if (!document.getElementById("told") && document.getElementById("main")) {
  const told = document.createElement("div");
  told.id = "told";
  told.dataset.own = "";
  told.setAttribute("role", "status");
  document.getElementById("main").prepend(told);
}
set_clock(document);
ages();
bring_back();
window.setInterval(refresh, EVERY_MS);
window.setInterval(ages, 15000);
window.setTimeout(wait, 1000);
