"use strict";
// The leak map: a press on a place of the face moves its answer in the list on by one, and the face follows the list.
(() => {
  const grades = ["none", "slight", "strong"];
  const listOf = (form, site) => [...form.querySelectorAll(`input[name="leak_${site}"]`)];

  function show(form, site) {
    const spot = form.querySelector(`[data-spot="${site}"]`);
    const chosen = listOf(form, site).find((input) => input.checked);
    if (!spot) return;
    const grade = chosen ? chosen.value : "none";
    spot.setAttribute("class", `spot spot-${grade}`);
    spot.setAttribute("aria-label", `${spot.dataset.name}: ${grade}`);
  }

  function press(spot) {
    const form = spot.closest("form");
    const inputs = listOf(form, spot.dataset.spot);
    const at = grades.indexOf((inputs.find((input) => input.checked) || { value: "none" }).value);
    const next = inputs.find((input) => input.value === grades[(at + 1) % grades.length]);
    next.checked = true;
    show(form, spot.dataset.spot);
  }

  document.addEventListener("click", (event) => {
    const spot = event.target.closest("[data-spot][role=button]");
    if (spot) press(spot);
  });
  document.addEventListener("keydown", (event) => {
    const spot = event.target.closest?.("[data-spot][role=button]");
    if (!spot || (event.key !== "Enter" && event.key !== " ")) return;
    event.preventDefault();
    press(spot);
  });
  document.addEventListener("change", (event) => {
    const site = event.target.name?.startsWith("leak_") && event.target.name.slice(5);
    if (site) show(event.target.form, site);
  });
})();
