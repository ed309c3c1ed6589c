// The menu "More" is the browser's own details: this only closes it again when somebody goes on without choosing.
"use strict";
(() => {
  const menu = document.getElementById("more");
  const summary = menu.querySelector("summary");

  menu.addEventListener("keydown", (event) => {
    if (event.key !== "Escape" || !menu.open) return;
    menu.open = false;
    summary.focus();
  });
  document.addEventListener("click", (event) => {
    if (!menu.contains(event.target)) menu.open = false;
  });
  menu.addEventListener("focusout", (event) => {
    if (event.relatedTarget && !menu.contains(event.relatedTarget)) menu.open = false;
  });
  addEventListener("pageshow", () => {
    menu.open = false; // a page that comes back from the browser's memory
  });
})();
