// Texts of the page's scripts in the site's language: English stands in the code, the page brings what it is called there.
"use strict";
const [_, many] = (() => {
  const data = document.getElementById("texts");
  const known = data ? JSON.parse(data.textContent) : {};
  const filled = (text, values) => text.replace(/\{(\w+)\}/g, (whole, name) => (name in values ? String(values[name]) : whole));
  return [
    (text, values = {}) => filled(known[text]?.[0] ?? text, values),
    (one, more, count, values = {}) => filled(known[one]?.[count === 1 ? 0 : 1] ?? (count === 1 ? one : more), { n: count, ...values }),
  ];
})();
