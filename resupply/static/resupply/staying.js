"use strict";
// Two minutes before a session ends for want of use, a dialog offers to stay. What is typed stays where it is.
const line = document.querySelector("[data-idle-seconds]");
if (line) {
  const button = line.querySelector("button");
  const warnAfter = Math.max(Number(line.dataset.idleSeconds) - 120, 30) * 1000;
  let timer = setTimeout(warn, warnAfter);
  function again() { line.hidden = true; clearTimeout(timer); timer = setTimeout(warn, warnAfter); }
  function warn() { line.hidden = false; button.focus(); }
  button.addEventListener("click", async () => {
    const token = line.querySelector("[name=csrfmiddlewaretoken]").value;
    const answer = await fetch(line.dataset.stay, { method: "POST", headers: { "X-CSRFToken": token }, redirect: "manual" });
    if (answer.status === 204) again();
    else line.querySelector("[data-said]").textContent = "You have been signed out. Send your form all the same: it waits while you sign in.";
  });
  // Whatever the page fetches of its own accord by a person's act has told the site that somebody is there.
  document.addEventListener("htmx:afterRequest", (event) => {
    if (!event.target.matches?.("[hx-trigger^=every]")) again();
  });
}
