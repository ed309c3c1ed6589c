// Keeps the day's sheet live: what is next in each lane, the running block and the line as they grow, the time now.
// When a closure has ended or a verdict has changed, the lane's drawing is asked for anew.
"use strict";
(() => {
  const MINUTE_MS = 60000;
  const [TOP, HIGH, ACROSS, PAD] = [22, 36, 1000, 4]; // as in dashboard/today/sheet.py and course.py
  const NEEDS = ["now", "due", "soaking", "nothing"];
  const day = document.getElementById("day");
  if (!day) return;
  const sinceMs = Number(day.dataset.since);
  const untilMs = Number(day.dataset.until);
  const share = (ms) => (Math.min(Math.max(ms, sinceMs), untilMs) - sinceMs) / (untilMs - sinceMs);
  const percent = (part) => `${(part * 100).toFixed(2)}%`;
  const field = (root, name) => root.querySelector(`[data-f="${name}"]`);
  const fetching = new Set();

  function write(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  function setLane(element, lane) {
    element.dataset.need = lane.need;
    for (const name of ["need_word", "next", "then", "lid_word"]) write(field(element, name), lane[name]);
    field(element, "next").setAttribute("href", lane.href);
    setRunning(field(element, "running"), lane);
    extend(element, lane);
    if (element.dataset.drawn !== lane.drawn) drawAnew(element, lane);
  }

  function setRunning(block, lane) {
    const none = lane.since_ms === null || lane.until_ms <= sinceMs;
    block.toggleAttribute("hidden", none);
    if (none) return;
    const [left, right] = [share(lane.since_ms), share(lane.until_ms)];
    const level = (HIGH * lane.level) / 1000;
    for (const rect of block.querySelectorAll("rect")) {
      rect.setAttribute("x", percent(left));
      rect.setAttribute("width", percent(Math.max(right - left, 0.002)));
    }
    const filled = block.querySelector(".filled");
    filled.setAttribute("y", TOP + HIGH - level);
    filled.setAttribute("height", level);
  }

  // One point a minute; a dip in between is drawn when the lane is asked for anew.
  function extend(element, lane) {
    const minute = Math.floor(lane.at_ms / MINUTE_MS);
    if (lane.at_mc === null || Number(element.dataset.minute || 0) >= minute || lane.at_ms > untilMs) return;
    const first = element.dataset.minute === undefined;
    element.dataset.minute = minute;
    if (first) return;
    const course = element.querySelector(".sheet-day .course");
    const [low, high] = [Number(course.dataset.low), Number(course.dataset.high)];
    const y = HIGH - PAD - ((lane.at_mc - low) * (HIGH - 2 * PAD)) / (high - low);
    const line = field(element, "line");
    const command = line.getAttribute("d") ? "L" : "M";
    line.setAttribute("d", `${line.getAttribute("d")}${command}${Math.round(share(lane.at_ms) * ACROSS)} ${Math.round(Math.min(Math.max(y, 0), HIGH))}`);
  }

  async function drawAnew(element, lane) {
    if (fetching.has(lane.key)) return; // the next state comes within a second
    fetching.add(lane.key);
    try {
      const answer = await fetch(`/today/lane?basin=${lane.key}&since=${sinceMs}&until=${untilMs}`);
      if (!answer.ok) return;
      const part = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("svg.course");
      if (!part) return;
      const had = element.querySelector(".sheet-day :focus");
      const address = had && had.getAttribute("href");
      field(element, "course").replaceChildren(document.adoptNode(part));
      element.dataset.drawn = lane.drawn;
      if (address) [...part.querySelectorAll("a")].find((each) => each.getAttribute("href") === address)?.focus();
    } catch {
      // the stream says whether the server is there; the lane is asked for again with the next state
    } finally {
      fetching.delete(lane.key);
    }
  }

  function summarise(lanes) {
    const count = lanes.filter((lane) => lane.need === "now").length;
    const all = lanes.length;
    const one = _("{n} of {all} basins needs somebody", { n: count, all });
    const more = _("{n} of {all} basins need somebody", { n: count, all });
    write(document.getElementById("summary"), count === 0 ? _("No basin needs anybody now") : count === 1 ? one : more);
  }

  // Who needs somebody first: lanes move only while nobody is in them.
  function sort() {
    if (day.dataset.order !== "need" || day.matches(":focus-within, :hover")) return;
    const lanes = [...day.children];
    const sorted = [...lanes].sort((one, other) => NEEDS.indexOf(one.dataset.need) - NEEDS.indexOf(other.dataset.need));
    if (sorted.some((each, index) => each !== lanes[index])) day.replaceChildren(...sorted);
  }

  function moveNow(nowMs) {
    const line = document.querySelector("#now line");
    for (const end of line ? ["x1", "x2"] : []) line.setAttribute(end, percent(share(nowMs)));
    if (nowMs > untilMs && !document.querySelector("#day :focus")) loadAgain(); // the sheet is full
  }

  document.addEventListener("soakledger-state", (event) => {
    const { frame, changed } = event.detail;
    if (frame === null) return;
    const shown = new Map([...day.children].map((each) => [each.dataset.key, each]));
    for (const lane of changed) {
      const element = shown.get(lane.key);
      if (element) setLane(element, lane);
    }
    summarise(frame.lanes);
    sort();
    moveNow(frame.now_ms);
  });

  // The whole of what is known of a block or an alarm, over it, while it is pointed at or has the focus.
  function tell(event) {
    const from = event.target.closest?.(".course a");
    for (const each of day.querySelectorAll(".telling")) {
      each.classList.remove("telling");
      each.querySelector("text.whole")?.remove();
    }
    if (!from || event.type === "pointerout" || event.type === "focusout") return;
    const course = from.closest(".course");
    const at = parseFloat(from.querySelector("[x]").getAttribute("x"));
    const text = document.createElementNS("http://www.w3.org/2000/svg", "text");
    text.setAttribute("class", at > 50 ? "whole from-right" : "whole");
    text.setAttribute("x", `${at}%`);
    text.textContent = from.getAttribute("aria-label");
    course.append(text);
    course.classList.add("telling");
  }
  for (const name of ["pointerover", "pointerout", "focusin", "focusout"]) day.addEventListener(name, tell);
})();
