// Alarms on every page: the strip, the title, and each new one said once to whoever listens to a screen reader.
"use strict";
(() => {
  const MOST_NAMED = 3;
  const section = document.getElementById("alarms");
  const list = document.getElementById("alarm-lines");
  const plainTitle = document.title.slice(section.dataset.prefix.length);
  const page = document.querySelector("[data-alarms-key]");
  let shown = "";

  function write(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  function setTitle(prefix) {
    if (document.title !== prefix + plainTitle) document.title = prefix + plainTitle;
  }

  function piece(name, className, text) {
    const element = document.createElement(name);
    if (className) element.className = className;
    element.textContent = text;
    return element;
  }

  function begun(element, line, text) {
    element.dataset.priority = line.priority;
    element.toggleAttribute("data-calm", line.calm);
    const link = piece("a", "", text);
    link.setAttribute("href", `/alarms/${encodeURIComponent(line.id)}`);
    const words = { high: _("High"), medium: _("Medium"), low: _("Low") };
    element.append(piece("b", "priority", words[line.priority]), " ", link, " ");
    return element;
  }

  // The most urgent one whole; what its line cuts off stands on its page.
  function first(line) {
    const element = begun(document.createElement("li"), line, line.name);
    element.append(piece("span", "where", line.where), " ", piece("span", "todo", line.todo), " ", piece("span", "state", line.state));
    return element;
  }

  function others(text, lines) {
    const element = piece("li", "others", "");
    element.append(piece("span", "", text));
    for (const line of lines) {
      const called = line.where ? _("{name} at {where}", { name: line.name, where: line.where }) : line.name;
      const other = begun(piece("span", "other", ""), line, called);
      other.append(piece("span", "state", line.state));
      element.append(" ", other);
    }
    return element;
  }

  function setStrip(alarms) {
    write(document.getElementById("alarm-summary"), alarms.summary);
    const lines = alarms.lines.slice(0, MOST_NAMED);
    const now = JSON.stringify([alarms.others, lines]);
    if (now === shown) return;
    shown = now;
    const items = lines.slice(0, 1).map(first);
    if (alarms.others) items.push(others(alarms.others, lines.slice(1)));
    list.replaceChildren(...items);
  }

  // What was said is remembered while the tab is open, so that going from page to page says nothing twice.
  function said() {
    try {
      return new Set(JSON.parse(sessionStorage.getItem("soakledger-said") || "[]"));
    } catch {
      return remembered;
    }
  }

  let remembered = new Set();

  function remember(keys) {
    remembered = new Set(keys);
    try {
      sessionStorage.setItem("soakledger-said", JSON.stringify(keys));
    } catch {
      // A browser that keeps nothing says it again on the next page.
    }
  }

  function spoken(line) {
    const values = { name: line.name, basin: line.where, todo: line.todo };
    if (line.priority === "high") {
      return line.where ? _("High alarm: {name}, {basin}. {todo}", values) : _("High alarm: {name}. {todo}", values);
    }
    return line.where ? _("Medium alarm: {name}, {basin}. {todo}", values) : _("Medium alarm: {name}. {todo}", values);
  }

  function sayNew(lines) {
    const before = said();
    const key = (line) => `${line.id}:${line.priority}`;
    for (const priority of ["high", "medium"]) {
      const fresh = lines.filter((line) => line.priority === priority && !line.seen && !before.has(key(line)));
      if (fresh.length === 0) continue;
      document.getElementById(`say-${priority}`).textContent = fresh.map(spoken).join(" ");
    }
    const now = lines.map(key);
    if (now.length !== before.size || now.some((each) => !before.has(each))) remember(now);
  }

  // A page that lists alarms is loaded again when they change, unless somebody is writing on it.
  function setPage(key) {
    if (!page || page.dataset.alarmsKey === key) return;
    const writing = [...document.querySelectorAll("main input[type=text]")];
    const busy = writing.some((each) => each.value !== "" || each === document.activeElement);
    const notice = document.getElementById("alarms-changed");
    if (busy) notice.hidden = false;
    else loadAgain();
  }

  document.addEventListener("soakledger-alarms", (event) => {
    const alarms = event.detail;
    setTitle(alarms.prefix);
    setStrip(alarms);
    sayNew(alarms.lines);
    setPage(alarms.key);
  });
  document.addEventListener("soakledger-link", (event) => {
    section.toggleAttribute("data-old", !event.detail.live);
    if (!event.detail.live) setTitle(`[${_("alarms not live")}] `);
  });
})();
