// What the trend's scripts share: its colours, its site's time, its numbers with their units.
"use strict";
const trendLook = (() => {
  const root = document.documentElement;
  const css = (name) => getComputedStyle(root).getPropertyValue(`--${name}`).trim();
  const names = ["ink", "soft", "rule", "line", "tint", "card", "band", "edge", "paper", "alarm-high", "alarm-medium", "alarm-low"];
  const twelve = () => root.dataset.clock === "12";
  let offsets = [[0, 0]];

  // The site's local time, as plotly's date axis takes it: as if it were UTC.
  function local(ms) {
    let offset = offsets[0][1];
    for (const [from, each] of offsets) if (ms >= from) offset = each;
    return ms + offset;
  }
  function fromLocal(text) {
    const at = Date.parse(`${text.replace(" ", "T")}Z`);
    let offset = offsets[0][1];
    for (const [from, each] of offsets) if (at - each >= from) offset = each;
    return Math.round(at - offset);
  }
  const stamp = (ms) => new Date(local(ms)).toISOString();
  function clock(ms, seconds = false) {
    const text = stamp(ms);
    const rest = text.slice(13, seconds ? 19 : 16);
    const hour = Number(text.slice(11, 13));
    return twelve() ? `${((hour + 11) % 12) + 1}${rest} ${hour < 12 ? "AM" : "PM"}` : text.slice(11, 13) + rest;
  }
  function full(ms) {
    const [weekday, day, month, year] = new Date(local(ms)).toUTCString().replace(",", "").split(" ");
    return `${weekday} ${Number(day)} ${month} ${year} ${clock(ms, true)}`;
  }
  // Degrees Celsius decide, so they stand first; 0 °C is 32 °F and 5 °C are 9 °F exactly.
  function degrees(mc, short = false) {
    const text = (thousandths) => (short ? (thousandths / 1000).toFixed(2).replace(/\.?0+$/, "") : (thousandths / 1000).toFixed(2));
    return root.dataset.fahrenheit === undefined ? `${text(mc)} °C` : `${text(mc)} °C (${text(mc * 1.8 + 32000)} °F)`;
  }
  function spell(ms) {
    if (ms < 60000) return _("{n} s", { n: Math.floor(ms / 1000) });
    const minutes = Math.floor(ms / 60000);
    return minutes < 60 ? _("{n} min", { n: minutes }) : _("{h} h {n} min", { h: Math.floor(minutes / 60), n: minutes % 60 });
  }
  const times = () => (twelve() ? { minute: "%-I:%M %p", second: "%-I:%M:%S %p" } : { minute: "%H:%M", second: "%H:%M:%S" });
  return {
    colours: () => Object.fromEntries(names.map((name) => [name, css(name)])),
    in: (given) => { offsets = given; },
    iso: (ms) => stamp(ms).slice(0, 23).replace("T", " "),
    fromLocal, clock, full, degrees, spell, times,
  };
})();
