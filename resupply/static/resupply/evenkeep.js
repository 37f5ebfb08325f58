"use strict";
// Small comforts; every page works without them. No inline script anywhere (strict Content-Security-Policy).

// --- find a patient as you type: arrows move, Enter opens, Escape closes -------------------------------------
function startFind(form) {
  const input = form.querySelector("[role=combobox]");
  const list = form.querySelector("[role=listbox]");
  let at = -1;

  const options = () => [...list.querySelectorAll("[role=option]:not([aria-disabled])")];
  function mark(next) {
    const all = options();
    at = all.length ? (next + all.length) % all.length : -1;
    all.forEach((option, i) => option.setAttribute("aria-selected", String(i === at)));
    if (at >= 0) {
      input.setAttribute("aria-activedescendant", all[at].id);
      all[at].scrollIntoView({ block: "nearest" });
    } else input.removeAttribute("aria-activedescendant");
  }
  function show(open) {
    list.hidden = !open;
    input.setAttribute("aria-expanded", String(open));
    at = -1;
    input.removeAttribute("aria-activedescendant");
  }

  list.addEventListener("htmx:afterSwap", () => show(input.value.trim() !== "" && list.children.length > 0));
  input.addEventListener("focus", () => { if (list.children.length && input.value.trim()) show(true); });
  input.addEventListener("input", () => { if (!input.value.trim()) show(false); });
  form.addEventListener("focusout", (event) => { if (!form.contains(event.relatedTarget)) show(false); });
  // A press on an option must not take the focus away first: the list would close under the finger.
  list.addEventListener("mousedown", (event) => event.preventDefault());
  input.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { if (!list.hidden) event.preventDefault(); show(false); return; }
    if (list.hidden && event.key === "ArrowDown" && list.children.length) show(true);
    if (list.hidden) return;
    if (event.key === "ArrowDown") { event.preventDefault(); mark(at + 1); }
    else if (event.key === "ArrowUp") { event.preventDefault(); mark(at < 0 ? -1 : at - 1); }
    else if (event.key === "Enter" && at >= 0) { event.preventDefault(); options()[at].click(); }
  });
}
document.querySelectorAll("[data-find]").forEach(startFind);

// --- errors: the summary takes the focus, so that keyboard and screen reader start there ----------------------
document.querySelector("[data-focus]")?.focus();

// --- where the usual next step begins, for those with a keyboard: on a touch screen it would only open one ------
// Whoever was faster than this script keeps the field they are in.
const untouched = document.activeElement === document.body && !location.hash;
if (untouched && !document.querySelector("[data-focus], [autofocus]") && matchMedia("(pointer: fine)").matches) {
  document.querySelector("[data-first]")?.focus({ preventScroll: true });
}

// --- what lies over the page (account menu, steps of a cell) closes when the focus or a click goes elsewhere -----------------------------------------------
document.addEventListener("click", (event) => {
  document.querySelectorAll("details.account[open], details.why-cell[open]").forEach((menu) => {
    if (!menu.contains(event.target)) menu.open = false;
  });
});
document.addEventListener("keydown", (event) => {
  const menu = event.key === "Escape" && document.activeElement?.closest("details.account[open], details.why-cell[open]");
  if (menu) { menu.open = false; menu.querySelector("summary").focus(); }
});

// --- scanner: it types the group separator as Ctrl+], which a browser would swallow ---------------
document.addEventListener("keydown", (event) => {
  const field = event.target.closest?.("[data-scan]");
  if (!field || !event.ctrlKey || event.key !== "]") return;
  event.preventDefault();
  field.setRangeText("\u001d", field.selectionStart, field.selectionEnd, "end");
});

// A scanner may end with two Enters: the second, on the page that shows the scan, must not log the dispense.
document.addEventListener("keydown", (event) => {
  const isLate = event.key === "Enter" && event.target.matches?.("[data-scan][autofocus]") && !event.target.value;
  if (isLate && performance.now() < 600) event.preventDefault();
});

// --- copy a link ------------------------------------------------------------------------------------------------
document.addEventListener("click", async (event) => {
  const button = event.target.closest("[data-copy]");
  if (!button) return;
  const field = button.parentElement.querySelector("input");
  field.select();
  try {
    await navigator.clipboard.writeText(field.value);
    button.textContent = button.dataset.copied || "Copied";
  } catch {
    button.textContent = button.dataset.byHand || "Press Ctrl+C";
  }
});

// --- print: the time of printing on each page; explanations stay as they are on screen ---------------------------
function stampPrint() {
  const language = document.documentElement.lang;
  const words = new Date().toLocaleString(language === "en" ? "en-GB" : language, { dateStyle: "medium", timeStyle: "short" });
  document.querySelectorAll("[data-printed]").forEach((place) => { place.textContent = words; });
}
stampPrint();
window.addEventListener("beforeprint", stampPrint);

// --- a button that prints the page ---------------------------------------------------------------------------------
document.addEventListener("click", (event) => { if (event.target.closest("[data-print]")) window.print(); });

// --- tick all lines of a page ----------------------------------------------------------------------------------------
document.querySelectorAll("[data-tick-all]").forEach((all) => {
  const lines = () => [...all.closest("table").querySelectorAll("tbody .tick input")];
  all.hidden = false;
  all.addEventListener("change", () => lines().forEach((line) => { line.checked = all.checked; }));
  all.closest("table").addEventListener("change", () => { all.checked = lines().every((line) => line.checked); });
});

// --- help beside the page: what is typed on the page stays; without this script Help is a page of its own --------
// F1, not a letter or a sign: a shortcut of one character gets in the way of speech input (WCAG 2.2, 2.1.4).
const SIGNED_OUT = "Help could not be opened here. If you were signed out: send your form all the same, it waits while you sign in.";
function startHelp(link, panel) {
  const title = panel.querySelector("h2");
  const body = panel.querySelector("[data-help-body]");
  const asPage = panel.querySelector("[data-help-page]");
  async function show(address, sent) {
    asPage.href = address;
    if (!panel.open) { if (matchMedia("(max-width: 800px)").matches) panel.showModal(); else panel.show(); }
    let page = null;
    try {
      page = new DOMParser().parseFromString(await (await fetch(address, sent)).text(), "text/html");
    } catch { /* no answer: told below */ }
    const found = page?.getElementById("help");
    title.textContent = found ? page.querySelector("h1").textContent : "Help";
    if (found) body.replaceChildren(document.adoptNode(found)); else body.textContent = SIGNED_OUT;
    panel.scrollTop = 0;
    const place = new URL(address, location.href).hash;
    if (found && place) body.querySelector(place)?.scrollIntoView({ block: "center" });
    title.focus({ preventScroll: true });
  }
  const isPlain = (event) => !(event.ctrlKey || event.metaKey || event.shiftKey || event.altKey);
  link.addEventListener("click", (event) => { if (isPlain(event)) { event.preventDefault(); show(link.href); } });
  panel.addEventListener("click", (event) => {
    const topic = event.target.closest("[data-help-topic]");
    if (topic && isPlain(event)) { event.preventDefault(); show(topic.href); }
    if (event.target.closest("[data-help-close]")) panel.close();
  });
  panel.addEventListener("submit", (event) => {
    event.preventDefault();
    show(event.target.action, { method: "POST", body: new FormData(event.target) });
  });
  panel.addEventListener("close", () => link.focus());
  document.addEventListener("keydown", (event) => {
    if (event.key === "F1" && isPlain(event)) { event.preventDefault(); if (panel.open) panel.close(); else show(link.href); }
    else if (event.key === "Escape" && panel.open && panel.contains(document.activeElement)) panel.close();
  });
}
const helpLink = document.querySelector("[data-help]");
if (helpLink) startHelp(helpLink, document.getElementById("help-panel"));
