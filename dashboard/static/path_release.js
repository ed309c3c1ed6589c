// Counts rinses and drying down, by the server's clock, and ticks all at once.
"use strict";
(() => {
  const after = document.getElementById("after");
  const speed = Number(after.dataset.speed);
  const serverMs = Number(after.dataset.now);
  const beganMs = performance.now();
  const two = (number) => String(number).padStart(2, "0");

  function count() {
    const nowMs = serverMs + (performance.now() - beganMs) * speed;
    for (const each of document.querySelectorAll("[data-until]")) {
      const seconds = Math.ceil((Number(each.dataset.until) - nowMs) / 1000);
      const left = seconds >= 3600 ? `${Math.floor(seconds / 3600)}:${two(Math.floor(seconds / 60) % 60)}:${two(seconds % 60)}` : `${Math.floor(seconds / 60)}:${two(seconds % 60)}`;
      const text = seconds > 0 ? _("{time} left", { time: left }) : _("the time is over");
      if (each.textContent !== text) each.textContent = text;
    }
  }
  count();
  setInterval(count, 1000);

  const all = document.querySelector("[data-tick-all]");
  if (all) {
    all.hidden = false;
    all.addEventListener("click", () => {
      for (const each of document.querySelectorAll('.ticks input[type="checkbox"]')) each.checked = true;
    });
  }
})();
