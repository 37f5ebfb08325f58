"use strict";
// Two minutes before a session ends for want of use, a dialog offers to stay. What is typed stays where it is.
const line = document.querySelector("[data-idle-seconds]");
if (line) {
  const button = line.querySelector("button");
  const said = line.querySelector("[data-said]");
  const asks = said.textContent;
  const warnAfter = Math.max(Number(line.dataset.idleSeconds) - 120, 30) * 1000;
  let timer = setTimeout(warn, warnAfter);
  function again() { line.hidden = true; said.textContent = asks; clearTimeout(timer); timer = setTimeout(warn, warnAfter); }
  function warn() { line.hidden = false; button.focus(); }
  button.addEventListener("click", async () => {
    const token = line.querySelector("[name=csrfmiddlewaretoken]").value;
    const asked = fetch(line.dataset.stay, { method: "POST", headers: { "X-CSRFToken": token }, redirect: "manual" });
    const answer = await asked.catch(() => null);
    if (answer?.status === 204) return again();
    said.textContent = answer
      ? "You have been signed out. Send your form all the same: it waits while you sign in."
      : "The clinic's site did not answer. What you typed is still here: press again in a moment.";
  });
  // Whatever the page fetches of its own accord by a person's act has told the site that somebody is there.
  document.addEventListener("htmx:afterRequest", (event) => {
    const isAnswered = event.detail.xhr.status > 0; // 0: it never arrived
    if (isAnswered && !event.target.matches?.("[hx-trigger^=every]")) again();
  });
}
