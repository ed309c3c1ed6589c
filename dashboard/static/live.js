// Keeps a page's basins live: lays each state that stream.js hears over what the server rendered.
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
      location.reload(); // a basin came or went
      return;
    }
    for (const lane of changed) {
      const element = shown.get(lane.key);
      if (element) setLane(element, lane);
    }
  }

  function setLane(element, lane) {
    if (element.dataset.rim !== undefined && element.dataset.rim !== lane.rim) {
      location.reload(); // another requirement: the marks on the wall change
      return;
    }
    if (element.dataset.kind !== lane.kind) {
      element.dataset.kind = lane.kind;
      write(news, `${lane.label}: ${lane.headline} ${lane.detail}`);
    }
    for (const name of ["headline", "detail", "shows", "needs", "more", "heard", "counter", "ready", "why", "solution"]) {
      write(field(element, name), lane[name]);
    }
    setVessel(element, lane);
    setLatest(element, lane.latest);
    setSensors(field(element, "sensors"), lane.sensors);
    setBesides(field(element, "besides"), lane.besides);
    const ready = field(element, "ready");
    if (ready) ready.dataset.ready = lane.ready;
  }

  function setVessel(element, lane) {
    const vessel = field(element, "vessel");
    if (!vessel) return;
    if (vessel.dataset.lid !== lane.lid) {
      vessel.dataset.lid = lane.lid;
      vessel.setAttribute("aria-label", `${_("Level in the vessel: time proven without a break")}; ${lane.lid_word}`);
    }
    const level = field(element, "level");
    level.setAttribute("y", lane.surface_y);
    level.setAttribute("height", lane.depth);
    const surface = field(element, "surface");
    surface.setAttribute("y1", lane.surface_y);
    surface.setAttribute("y2", lane.surface_y);
    const counter = field(element, "counter");
    if (counter) counter.setAttribute("y", lane.counter_y);
  }

  function setLatest(element, latest) {
    const line = field(element, "latest");
    if (!line) return;
    line.hidden = latest === null;
    if (latest === null) return;
    const none = field(element, "no-latest");
    if (none) none.hidden = true;
    field(element, "latest-link").setAttribute("href", `/closures/${latest.id}`);
    field(element, "latest-swatch").dataset.verdict = latest.verdict;
    write(field(element, "latest-verdict"), latest.verdict);
    write(field(element, "latest-reason"), latest.reason);
    write(field(element, "latest-text"), latest.text);
  }

  function setSensors(list, sensors) {
    if (!list) return;
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

  function setBesides(list, texts) {
    if (!list) return;
    if (list.children.length !== texts.length) list.replaceChildren(...texts.map(() => document.createElement("li")));
    texts.forEach((text, index) => write(list.children[index], text));
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
