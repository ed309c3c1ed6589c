// A scanner is a fast keyboard that ends with Enter or Tab: its keys are caught wherever the focus is, but for text fields.
"use strict";
(() => {
  const form = document.querySelector("form[data-scan]");
  if (!form) return;
  const field = form.elements.scan;
  // Between two keys: scanners take 1 to 40 ms, people seldom less than 100. Where there is nothing else to be typed, as
  // on the start page, a slow scanner and a person count as well.
  const FAST_MS = 100;
  const PATIENT_MS = 1500;
  const LEAST = 3;
  const TEXT = "textarea, [contenteditable], input:not([type=checkbox], [type=radio], [type=submit], [type=button])";
  let keys = "";
  let lastMs = -Infinity;

  function caught(event) {
    const fast = event.timeStamp - lastMs <= (form.dataset.scan === "patient" ? PATIENT_MS : FAST_MS);
    lastMs = event.timeStamp;
    if (!fast) keys = "";
    if (event.key === "Enter" || event.key === "Tab") {
      const whole = keys;
      keys = "";
      if (whole.length < LEAST) return false;
      field.value = whole;
      form.requestSubmit();
      return true;
    }
    if (event.ctrlKey && event.key === "]") keys += "\u001d"; // how many scanners type the separator of GS1 codes
    else if (event.ctrlKey || event.altKey || event.metaKey) keys = "";
    else if (event.key.length === 1) keys += event.key;
    return keys.length > 1; // a first key may be a person's: the button under the focus keeps it
  }

  document.addEventListener("keydown", (event) => {
    if (event.isComposing || event.target.matches?.(TEXT)) return;
    if (caught(event)) event.preventDefault();
  }, true);
})();
