// Keeps a page up to date; each page is whole without it.
//
//   data-stream="URL"    listen there. An event named after an element's id carries that element's new HTML;
//                        `rows` carries new lines for the element with data-rows, newest first.
//   form[data-here]      send it without leaving the page: what comes of it arrives by the stream.

"use strict";

const status = document.getElementById("state-of-connection");
const alertBox = document.getElementById("alert");

// Bring an element to what the server shows now, touching only what differs: focus, typed words and opened parts stay.
function become(old, now) {
  if (old.isEqualNode(now)) return;
  if (old.nodeType !== now.nodeType || old.nodeName !== now.nodeName) return old.replaceWith(now.cloneNode(true));
  if (old.nodeType !== Node.ELEMENT_NODE) { old.nodeValue = now.nodeValue; return; }
  if (old.matches("input:not([type=hidden]), textarea, select")) return;  // somebody may be typing
  for (const { name } of [...old.attributes])
    if (!now.hasAttribute(name) && !(name === "open" && old.matches("details"))) old.removeAttribute(name);
  for (const { name, value } of now.attributes) if (old.getAttribute(name) !== value) old.setAttribute(name, value);
  const keyed = new Map([...old.children].filter((one) => one.id).map((one) => [one.id, one]));
  let place = old.firstChild;
  for (const child of [...now.childNodes]) {
    const known = child.id ? keyed.get(child.id) : place && !place.id && place.nodeName === child.nodeName ? place : null;
    if (!known) { old.insertBefore(child.cloneNode(true), place); continue; }
    if (known !== place) old.insertBefore(known, place); else place = place.nextSibling;
    become(known, child);
  }
  while (place) { const next = place.nextSibling; place.remove(); place = next; }
}

function parsed(html) {
  const template = document.createElement("template");
  template.innerHTML = html;  // the server escaped what came over the wire; a template runs nothing
  return template.content;
}

const MOST = 200;

// A page that nobody sees listens to nothing: browsers allow few connections to one host, and a phone has a battery.
const open = new Map();

function listen(element) {
  open.get(element)?.close();
  if (document.hidden) return;
  const url = new URL(element.dataset.stream, location.href);
  if (element.dataset.last) url.searchParams.set("after", element.dataset.last);
  const source = new EventSource(url);
  open.set(element, source);
  const say = (words) => { if (status && status.textContent !== words) status.textContent = words; };
  source.onopen = () => say("");
  source.onerror = () => {
    if (open.get(element) !== source) return;
    say("The connection is lost; trying again. What is shown may be old.");
    // A browser gives up for good when the answer is no stream (the session is over, say): look again then.
    if (source.readyState === EventSource.CLOSED) setTimeout(() => again(element), 3000);
  };
  const list = element.querySelector("[data-rows]");
  if (list) source.addEventListener("rows", (event) => {
    if (element.dataset.held === "yes") return;
    element.dataset.last = event.lastEventId;
    list.prepend(parsed(event.data));
    while (list.children.length > MOST) list.lastElementChild.remove();
  });
  source.addEventListener("part", (event) => {
    for (const now of [...parsed(event.data).children]) {
      const old = document.getElementById(now.id);
      if (old) become(old, now);
    }
    said();
  });
  source.addEventListener("over", () => { source.close(); location.reload(); });
}

document.addEventListener("visibilitychange", () => {
  for (const [element, source] of open) if (document.hidden) source?.close(); else listen(element);
});

async function again(element) {
  try {
    const answer = await fetch(location.href, { cache: "no-store" });
    if (answer.ok && !answer.redirected) return listen(element);
    if (answer.status < 500) return location.reload();
  } catch { /* still no network */ }
  setTimeout(() => again(element), 3000);
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
  const body = new URLSearchParams(new FormData(form, button));
  if (button) button.setAttribute("aria-disabled", "true");
  alertBox.textContent = "";
  try {
    const answer = await fetch(form.action, { method: "POST", body });
    if (answer.ok) {
      form.reset();
      form.closest("details")?.removeAttribute("open");
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
document.querySelectorAll("[data-stream]").forEach((element) => { open.set(element, undefined); listen(element); });
document.documentElement.dataset.live = "yes";
