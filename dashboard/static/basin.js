// Keeps the page of one basin live: vessel, countdown and sentence from each state that stream.js hears; what is
// declared from a part of the page that is asked again when something changed. Strikes all of it when it is not live.
"use strict";
(() => {
  const SILENT_AFTER_MS = 5000;
  const ASK_EVERY_MS = 15000;
  const ASK_AGAIN_MS = 1500;
  const NOT_KNOWN = ["silent", "unheard", "behind"];
  const LIDS = { open: _("lid open"), closed: _("lid closed"), unknown: _("lid not known") };
  const basin = document.getElementById("basin");
  const news = document.getElementById("news");
  const key = basin.dataset.basin;
  const full = Number(basin.dataset.full);
  const speed = Number(basin.dataset.speed);
  let heardMs = performance.now(); // the last state, whatever it told
  let live = true;
  let said = { counter: field("clock").textContent, headline: "", left_ms: null, atMs: performance.now() };
  let signature = null;
  let askedMs = performance.now();
  let asking = false;
  let again = 0;
  said.left_ms = leftOf(said.counter);

  function field(name) {
    return document.querySelector(`[data-b="${name}"]`);
  }

  function write(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  // "4:36" as milliseconds; null for no counter.
  function leftOf(counter) {
    const found = /^(\d+):(\d\d)$/.exec(counter);
    return found ? (Number(found[1]) * 60 + Number(found[2])) * 1000 : null;
  }

  function clockOf(ms) {
    const seconds = Math.ceil(Math.max(0, ms) / 1000);
    return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  }

  function setLane(lane) {
    if (basin.dataset.rim !== lane.rim) {
      loadAgain(); // another requirement: the marks on the wall change
      return;
    }
    const changed = basin.dataset.kind !== lane.kind;
    basin.dataset.kind = lane.kind;
    basin.dataset.lid = lane.lid;
    basin.dataset.counting = lane.counter ? "yes" : "no";
    said.headline = lane.headline;
    if (said.counter !== lane.counter) said = { ...said, counter: lane.counter, left_ms: leftOf(lane.counter), atMs: performance.now() };
    write(field("lid-word"), LIDS[lane.lid]);
    if (lane.counter === "") write(field("clock"), "");
    write(field("shows"), lane.shows || _("not known now"));
    write(field("needs"), lane.needs);
    write(field("more"), lane.more);
    write(field("heard"), lane.heard);
    setLevel(lane);
    setSensors(lane.sensors);
    if (changed || field("sentence").dataset.running === "yes") {
      field("sentence").dataset.running = "yes";
      write(field("sentence"), lane.headline);
      write(field("detail"), lane.detail);
    }
    if (changed) write(news, `${lane.label}: ${lane.headline} ${lane.detail}`);
    askIfChanged(lane, changed);
    count();
  }

  function setLevel(lane) {
    const percent = Math.min(100, Math.max(0, (lane.depth / full) * 100));
    const level = field("level");
    level.setAttribute("y", `${100 - percent}%`);
    level.setAttribute("height", `${percent}%`);
    field("surface").setAttribute("y1", `${100 - percent}%`);
    field("surface").setAttribute("y2", `${100 - percent}%`);
    field("stubs").setAttribute("y", `${100 - percent}%`);
    cutSurface(percent);
    const label = _("Level in the vessel: time proven without a break; {lid}", { lid: LIDS[lane.lid] });
    if (field("drawing").getAttribute("aria-label") !== label) field("drawing").setAttribute("aria-label", label);
  }

  // Where the surface would run through the words, it is drawn at the walls alone: a line through words strikes them.
  function cutSurface(percent) {
    const [tank, words] = [field("drawing").getBoundingClientRect(), field("say").getBoundingClientRect()];
    const y = tank.top + (tank.height * (100 - percent)) / 100;
    basin.dataset.cut = y > words.top + 12 && y < words.bottom - 12 ? "yes" : "no";
  }

  function setSensors(sensors) {
    const list = field("sensors");
    if (list.children.length !== sensors.length || !list.querySelector("b")) {
      list.replaceChildren(...sensors.map(() => {
        const item = document.createElement("li");
        item.append(document.createElement("b"), " ", document.createElement("span"), " ", document.createElement("code"));
        return item;
      }));
    }
    sensors.forEach((sensor, index) => {
      const item = list.children[index];
      item.classList.toggle("fault", sensor.fault);
      write(item.querySelector("b"), sensor.shows);
      write(item.querySelector("span"), sensor.needs);
      write(item.querySelector("code"), sensor.sensor);
    });
  }

  // What the sentence and the buttons hang on, but for what moves by itself every second.
  function askIfChanged(lane, atOnce) {
    const why = NOT_KNOWN.includes(lane.kind) ? "" : lane.why;
    const now = JSON.stringify([lane.kind, lane.lid, lane.ready, why, lane.solution, lane.latest && lane.latest.id]);
    const late = performance.now() - askedMs > ASK_EVERY_MS;
    if (signature !== null && now !== signature) ask(atOnce ? 0 : ASK_AGAIN_MS);
    else if (late) ask(0);
    signature = now;
  }

  function ask(afterMs) {
    clearTimeout(again);
    again = setTimeout(fetchNow, Math.max(0, afterMs - (performance.now() - askedMs)));
  }

  async function fetchNow() {
    if (asking || document.hidden) return;
    [asking, askedMs] = [true, performance.now()];
    try {
      const answer = await fetch(`/basins/${key}/now`);
      const heardAt = performance.now();
      if (answer.ok) setParts(new DOMParser().parseFromString(await answer.text(), "text/html"), heardAt);
    } catch {
      // The stream says that the connection is lost; the next state asks again.
    } finally {
      asking = false;
    }
  }

  function setParts(fresh, heardAt) {
    for (const part of fresh.querySelectorAll("[data-part]")) {
      const old = document.querySelector(`[data-part="${part.dataset.part}"]`);
      if (!old || old.innerHTML === part.innerHTML) continue;
      const focused = old.contains(document.activeElement) ? document.activeElement.textContent : null;
      old.replaceChildren(...part.childNodes);
      if (focused !== null) [...old.querySelectorAll("a, button")].find((each) => each.textContent === focused)?.focus();
    }
    const about = fresh.getElementById("timers-about");
    if (about) document.dispatchEvent(new CustomEvent("soakledger-timers", { detail: { about: about.dataset.about, heardAt } }));
  }

  // Between messages the countdown goes down by itself, only while it is live, never past the next message.
  function count() {
    const silent = performance.now() - heardMs > SILENT_AFTER_MS;
    if (silent) setLive(false);
    if (!live || said.left_ms === null) return;
    const since = Math.min(performance.now() - said.atMs, SILENT_AFTER_MS) * speed;
    write(field("clock"), clockOf(said.left_ms - since));
  }

  function setLive(now) {
    if (live === now) return;
    live = now;
    basin.dataset.live = live ? "yes" : "no";
    const at = basin.dataset.at;
    write(field("veil-title"), live ? "" : _("Not live since {time}", { time: at }));
    const was = said.headline || field("sentence").textContent;
    const left = said.left_ms === null ? "" : _("{left} was left then.", { left: field("clock").textContent });
    write(field("veil-was"), live ? "" : _("What this page last knew: “{was}” {left}", { was, left }).trim());
    write(field("as-of"), live ? "" : _("As of {time}: not live any more", { time: at }));
    field("veil").hidden = live;
    field("as-of").hidden = live;
    if (live) fetchNow();
  }

  document.addEventListener("soakledger-state", (event) => {
    const frame = event.detail.frame;
    if (frame === null) return;
    heardMs = performance.now();
    if (frame.live_at) basin.dataset.at = frame.live_at;
    const lane = (frame.lanes || []).find((each) => each.key === key);
    if (lane) setLane(lane);
  });
  document.addEventListener("soakledger-link", (event) => {
    if (event.detail.live) heardMs = performance.now();
    if (!event.detail.hidden) setLive(event.detail.live);
  });
  document.addEventListener("soakledger-clock-doubt", () => fetchNow());
  document.addEventListener("visibilitychange", () => document.hidden || fetchNow());
  addEventListener("resize", () => cutSurface(parseFloat(field("level").getAttribute("height"))));
  cutSurface(parseFloat(field("level").getAttribute("height")));
  setInterval(count, 250);
})();
