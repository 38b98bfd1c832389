// Keeps a page up to date; each page is whole without it.
//
//   data-stream="URL"    listen there. An event named after an element's id carries that element's new HTML;
//                        `rows` carries new lines for the element with data-rows, newest first.
//   form[data-here]      send it without leaving the page: what comes of it arrives by the stream.

"use strict";

const status = document.getElementById("state-of-connection");
const alertBox = document.getElementById("alert");
const LOST = "The connection is lost; trying again. What is shown may be old.";
const SILENT = 35_000;  // ms; the server says something every 15 s
const AGAIN = 3_000;  // ms until it is tried again

function say(words) { if (status.textContent !== words) status.textContent = words; }

// Bring an element to what the server shows now, touching only what differs: focus, typed words and opened parts stay.
function become(old, now) {
  if (old.isEqualNode(now)) return;
  if (old.nodeType !== now.nodeType || old.nodeName !== now.nodeName) return old.replaceWith(now.cloneNode(true));
  if (old.nodeType !== Node.ELEMENT_NODE) { old.nodeValue = now.nodeValue; return; }
  if (old.matches("input:not([type=hidden]), textarea, select")) return;  // somebody may be typing
  if (old.name === "last" && typedIn(old.form)) return;  // what came after that is not what they are speaking of
  for (const { name } of [...old.attributes])
    if (!now.hasAttribute(name) && name !== "tabindex" && !(name === "open" && old.matches("details"))) old.removeAttribute(name);
  for (const { name, value } of now.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  const keyed = new Map([...old.children].filter((one) => one.id).map((one) => [one.id, one]));
  const stays = new Set([...now.children].map((one) => one.id));
  let place = old.firstChild;
  for (const child of [...now.childNodes]) {
    let known = child.id ? keyed.get(child.id) : place;
    while (!child.id && known && (known.id || known.nodeName !== child.nodeName)) known = known.nextSibling;
    if (!known) { old.insertBefore(child.cloneNode(true), place); continue; }
    // What stands before it and is wanted no more goes now: what is moved would lose the focus.
    while (place && place !== known && !(place.id && stays.has(place.id))) { const next = place.nextSibling; place.remove(); place = next; }
    if (known !== place) old.insertBefore(known, place); else place = place.nextSibling;
    become(known, child);
  }
  while (place) { const next = place.nextSibling; place.remove(); place = next; }
}

function typedIn(form) {
  return [...form.elements].some((one) => one.matches("input:not([type=hidden]), textarea") && (one.value || one === document.activeElement));
}

function parsed(html) {
  const template = document.createElement("template");
  template.innerHTML = html;  // the server escaped what came over the wire; a template runs nothing
  return template.content;
}

const MOST = 200;

function rows(list, html) {
  const fresh = parsed(html);
  // A storm is one line that grows: it stands where it last did.
  for (const now of fresh.querySelectorAll("[data-storm]"))
    for (const old of list.querySelectorAll("[data-storm]")) if (old.dataset.storm === now.dataset.storm) old.remove();
  list.prepend(fresh);
  while (list.children.length > MOST) list.lastElementChild.remove();
}

// Where the focused element goes in a change, the focus stays near: at the nearest thing around it that is still there.
function keepingPlace(change) {
  const around = [];
  for (let one = document.activeElement; one && one !== document.body; one = one.parentElement) if (one.id) around.push(one.id);
  change();
  if (document.activeElement && document.activeElement !== document.body) return;
  const place = around.map((id) => document.getElementById(id)).find((one) => one);
  if (!place) return;
  place.tabIndex = -1;
  place.focus({ preventScroll: true });
}

function listen(element) {
  const list = element.querySelector("[data-rows]");
  const url = new URL(element.dataset.stream, location.href);
  const newest = list?.querySelector("[id^=row]");
  if (newest) url.searchParams.set("after", newest.id.slice(3));
  if (element.dataset.heard) say("Looking again. What is shown may be old.");
  element.dataset.heard = "yes";
  const source = new EventSource(url), over = new AbortController();
  const on = (target, what, act) => target.addEventListener(what, act, { signal: over.signal });
  const end = () => { over.abort(); clearInterval(watch); source.close(); };
  const lose = (wait) => { end(); say(LOST); setTimeout(() => again(element), wait); };
  let heard = Date.now();
  const hear = () => { heard = Date.now(); say(""); };
  // A connection that is gone is not always told: a phone in a cellar just hears nothing more.
  const watch = setInterval(() => { if (Date.now() - heard > SILENT) lose(0); }, 1_000);
  on(source, "open", hear);
  on(source, "ping", hear);
  // A browser gives up for good when the answer is no stream (the session is over, say): look again then.
  on(source, "error", () => { if (source.readyState === EventSource.CLOSED) lose(AGAIN); else say(LOST); });
  on(window, "offline", () => say(LOST));
  on(window, "online", () => lose(0));
  // A browser has few connections to one host: a page that nobody sees leaves them to the others, and catches up later.
  on(document, "visibilitychange", () => {
    if (!document.hidden) return;
    end();
    document.addEventListener("visibilitychange", () => listen(element), { once: true });
  });
  on(source, "trouble", (event) => { heard = Date.now(); say(event.data); });
  on(source, "rows", (event) => { hear(); if (element.dataset.held !== "yes") rows(list, event.data); });
  on(source, "part", (event) => {
    hear();
    keepingPlace(() => {
      for (const now of [...parsed(event.data).children]) {
        const old = document.getElementById(now.id);
        if (old) become(old, now);
      }
    });
    said();
  });
  on(source, "over", () => { end(); location.reload(); });
}

async function again(element) {
  try {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (answer.ok && !answer.redirected) return listen(element);
    if (answer.status < 500) return location.reload();
  } catch { /* still no network */ }
  setTimeout(() => again(element), AGAIN);
}

// What a screen reader is told: the text of one place, only when it changes.
let before = "";
function said() {
  const from = document.querySelector("[data-say]"), to = document.getElementById("to-say");
  if (from && to && from.textContent.trim() !== before) { before = from.textContent.trim(); to.textContent = before; }
}

document.addEventListener("submit", async (event) => {
  const form = event.target;
  if (!form.matches("form[data-here]")) return;
  event.preventDefault();
  const button = event.submitter;
  if (button?.getAttribute("aria-disabled")) return;  // it is on its way
  const body = new URLSearchParams(new FormData(form, button));
  if (button) button.setAttribute("aria-disabled", "true");
  alertBox.textContent = "";
  try {
    const answer = await fetch(form.action, { method: "POST", body });
    if (answer.ok) {
      form.reset();
      const folded = form.closest("details");
      if (folded) { folded.firstElementChild.focus({ preventScroll: true }); folded.open = false; }
    } else {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      alertBox.textContent = page.getElementById("trouble")?.textContent || `It was not done (${answer.status}).`;
    }
  } catch {
    alertBox.textContent = "No connection: that was not sent. Try again.";
  } finally {
    if (button) button.removeAttribute("aria-disabled");
  }
});

document.querySelectorAll("button[data-hold]").forEach((button) => {
  button.hidden = false;
  button.addEventListener("click", () => {
    const element = document.querySelector("[data-stream]");
    const held = element.dataset.held !== "yes";
    if (!held) return location.reload();
    element.dataset.held = "yes";
    button.textContent = "Go on";
  });
});

document.querySelectorAll("[data-copy]").forEach((button) => {
  button.hidden = !navigator.clipboard;
  button.addEventListener("click", async () => {
    await navigator.clipboard.writeText(button.dataset.copy);
    button.textContent = "Copied";
  });
});

said();
document.querySelectorAll("[data-stream]").forEach(listen);
document.documentElement.dataset.live = "yes";
