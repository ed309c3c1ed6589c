// Keeps what every live page shows live: the frame, and the lanes of today. What else a page has, its own script keeps.
"use strict";
(() => {
  const link = document.getElementById("link");
  const news = document.getElementById("news");

  const field = (root, name) => root.querySelector(`[data-f="${name}"]`);

  function write(element, text) {
    if (element && element.textContent !== text) element.textContent = text;
  }

  function setFrame(frame, changed) {
    write(document.querySelector('[data-frame="site"]'), frame.site);
    write(document.querySelector('[data-frame="day"]'), frame.day);
    link.dataset.at = frame.live_at;
    const backlog = document.getElementById("backlog");
    backlog.hidden = frame.backlog_percent === null;
    if (!backlog.hidden) {
      write(document.querySelector('[data-frame="backlog_percent"]'), String(frame.backlog_percent));
      document.getElementById("backlog-bar").value = frame.backlog_percent;
    }
    setLanes(frame.lanes, changed);
  }

  function setLanes(lanes, changed) {
    const shown = new Map([...document.querySelectorAll("[data-key]")].map((each) => [each.dataset.key, each]));
    if (document.querySelector("[data-lanes]") && (shown.size !== lanes.length || lanes.some((lane) => !shown.has(lane.key)))) {
      loadAgain(); // a basin came or went
      return;
    }
    for (const lane of changed) {
      const element = shown.get(lane.key);
      if (element) setLane(element, lane);
    }
  }

  function setLane(element, lane) {
    if (element.dataset.kind !== lane.kind) {
      element.dataset.kind = lane.kind;
      write(news, `${lane.label}: ${lane.headline} ${lane.detail}`);
    }
    write(field(element, "shows"), lane.shows);
    setVessel(field(element, "vessel"), lane);
  }

  function setVessel(vessel, lane) {
    if (vessel.dataset.lid !== lane.lid) {
      vessel.dataset.lid = lane.lid;
      vessel.setAttribute("aria-label", `${_("Level in the vessel: time proven without a break")}; ${lane.lid_word}`);
    }
    const level = field(vessel, "level");
    level.setAttribute("y", lane.surface_y);
    level.setAttribute("height", lane.depth);
    const surface = field(vessel, "surface");
    surface.setAttribute("y1", lane.surface_y);
    surface.setAttribute("y2", lane.surface_y);
  }

  function setCollector(text) {
    const banner = document.getElementById("collector");
    write(banner, text);
    banner.hidden = text === "";
  }

  document.addEventListener("soakledger-state", (event) => {
    setCollector(event.detail.collector);
    if (event.detail.frame !== null) setFrame(event.detail.frame, event.detail.changed);
  });
  document.addEventListener("soakledger-link", (event) => {
    const live = event.detail.live;
    link.dataset.state = live ? "live" : "not live";
    write(link, live ? _("live · {time}", { time: link.dataset.at }) : _("not live since {time}", { time: link.dataset.at }));
  });
})();
