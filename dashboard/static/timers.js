// Timers beside a basin, what they share: the server's time, what this tablet keeps, the panel they are shown in. All
// counting is done here without the server; what was tapped is kept in this browser and so belongs to this tablet. A
// timer records nothing, and never says that a strip was read. timer_strip.js and timer_rinse.js are the two there are.
"use strict";
const timers = (() => {
  const basin = document.getElementById("basin");
  const speed = Number(basin.dataset.speed);
  const JUMP_MS = 2000;
  const KEPT_FOR_MS = 12 * 3600000;
  const TWELVE = document.documentElement.dataset.clock === "12";
  let about = JSON.parse(document.getElementById("timers-about").dataset.about);

  // ---- The server's time -------------------------------------------------------------------------------------------
  // Between two answers of the server the browser's uninterrupted clock counts. It may stand still while a tablet sleeps:
  // then the wall clock has gone on without it, the later of both is taken, and the page says so until the server answers.
  const clock = (() => {
    let set = null;
    let doubt = false;
    const elapsed = () => [performance.now() - set.steadyMs, Date.now() - set.wallMs];
    return {
      tell(serverMs, steadyMs) {
        set = { serverMs, steadyMs, wallMs: Date.now() - (performance.now() - steadyMs) };
        doubt = false;
      },
      now() {
        const [steady, wall] = elapsed();
        if (!doubt && Math.abs(wall - steady) > JUMP_MS) {
          doubt = true;
          document.dispatchEvent(new CustomEvent("soakledger-clock-doubt"));
        }
        return Math.round(set.serverMs + (doubt ? Math.max(steady, wall) : steady) * speed);
      },
      doubtful: () => doubt,
    };
  })();

  // ---- What this tablet keeps --------------------------------------------------------------------------------------
  const keyOf = (kind) => `soakledger-timer-${kind} ${basin.dataset.basin}`;
  const held = {}; // what a browser that keeps nothing holds until the page goes
  let works = keeps();

  function kept(kind) {
    if (!works) return held[kind] ?? null;
    try {
      return JSON.parse(localStorage.getItem(keyOf(kind)));
    } catch {
      return null; // something else wrote it
    }
  }

  function keep(kind, state) {
    held[kind] = state;
    try {
      if (state === null) localStorage.removeItem(keyOf(kind));
      else localStorage.setItem(keyOf(kind), JSON.stringify(state));
    } catch {
      works = false; // said in the note under the timer
    }
  }

  function keeps() {
    try {
      localStorage.setItem("soakledger-keeps", "yes");
      return localStorage.getItem("soakledger-keeps") === "yes";
    } catch {
      return false;
    }
  }

  // ---- Words -------------------------------------------------------------------------------------------------------
  function left(ms) {
    const seconds = Math.ceil(Math.max(0, ms) / 1000);
    return `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`;
  }

  function length(ms) {
    const [minutes, seconds] = [Math.floor(ms / 60000), (ms % 60000) / 1000];
    const parts = [minutes ? _("{n} min", { n: minutes }) : "", seconds || !minutes ? _("{n} s", { n: seconds }) : ""];
    return parts.filter(Boolean).join(" ");
  }

  // Times of day at the site: "13:18:05", or "1:18:05 PM".
  function ofDay(ms) {
    const [hour, ...rest] = new Date(ms + about.offset_ms).toISOString().slice(11, 19).split(":");
    if (!TWELVE) return [hour, ...rest].join(":");
    return `${(Number(hour) + 11) % 12 + 1}:${rest.join(":")} ${Number(hour) < 12 ? "AM" : "PM"}`;
  }

  // As a form takes it: the site's local date and time.
  const typed = (ms) => new Date(ms + about.offset_ms).toISOString().slice(0, 23);

  // ---- The two timers ----------------------------------------------------------------------------------------------
  const panels = Object.fromEntries(
    [...document.querySelectorAll("[data-timer]")].map((panel) => [
      panel.dataset.timer,
      { panel, phase: "", part: (name) => panel.querySelector(`[data-t="${name}"]`) },
    ]),
  );

  function write(element, text) {
    if (element.textContent !== text) element.textContent = text;
  }

  // What a timer shows: { phase, count, say, start, record: [words, address], note, running }.
  function show(kind, view) {
    const { panel, part } = panels[kind];
    const changed = panels[kind].phase !== view.phase;
    if (changed && panels[kind].phase !== "" && view.rings) ring();
    panels[kind].phase = view.phase;
    panel.dataset.phase = view.phase;
    panel.classList.toggle("timer-runs", view.running);
    part("count").hidden = view.count === null;
    write(part("count"), view.count ?? "");
    write(part("say"), view.say);
    part("start").hidden = !view.start;
    write(part("start"), view.start ?? "");
    part("record").hidden = !view.record;
    if (view.record) {
      write(part("record"), view.record[0]);
      if (part("record").getAttribute("href") !== view.record[1]) part("record").setAttribute("href", view.record[1]);
    }
    part("record").classList.toggle("act-first", !view.start);
    part("stop").hidden = !view.own;
    write(part("note"), view.note);
    part("doubt").hidden = !(view.running && clock.doubtful());
    if (clock.doubtful()) write(part("doubt"), _("This tablet slept, or its clock was set, and the server has not answered since: do not trust this timer."));
    if (!view.asks) part("ask").hidden = true;
    else if (part("ask").hidden) {
      part("ask").replaceChildren(...view.asks());
      part("ask").hidden = false;
    }
  }

  const note = () => works
    ? _("This timer belongs to this tablet and records nothing. It goes on when the page is loaded again.")
    : _("This timer belongs to this page and records nothing. This browser keeps nothing: loading the page again ends it.");

  function numberField(name, words, value) {
    const label = document.createElement("label");
    const input = document.createElement("input");
    Object.assign(input, { type: "text", inputMode: "numeric", value, name, maxLength: 4, autocomplete: "off" });
    label.append(`${words} `, input);
    return label;
  }

  function asked(kind, name) {
    const input = panels[kind].part("ask").querySelector(`[name="${name}"]`);
    const text = input ? input.value.trim() : "";
    return /^\d{1,4}$/.test(text) ? Number(text) : null;
  }

  // ---- Sound: one soft double tone, unlike any alarm's burst, where the person has turned the page's sound on ---------
  function ring() {
    const on = document.getElementById("alarms")?.dataset.sound === "on";
    if (!on || !window.AudioContext) return;
    const context = new AudioContext();
    const ends = [0, 0.5].map((after_s) => {
      const [tone, level, at_s] = [context.createOscillator(), context.createGain(), context.currentTime + after_s];
      tone.frequency.value = 330;
      level.gain.setValueAtTime(0, at_s);
      level.gain.linearRampToValueAtTime(0.3, at_s + 0.05);
      level.gain.linearRampToValueAtTime(0, at_s + 0.4);
      tone.connect(level).connect(context.destination);
      tone.start(at_s);
      tone.stop(at_s + 0.4);
      return tone;
    });
    ends[1].addEventListener("ended", () => context.close());
  }

  // ---- The page ----------------------------------------------------------------------------------------------------
  const shown = {};

  // A timer of this page: `show` says what it shows now, `tap` what its button does.
  function add(kind, showNow, tap) {
    shown[kind] = showNow;
    panels[kind].part("start").addEventListener("click", tap);
    panels[kind].part("stop-now").addEventListener("click", () => {
      keep(kind, null);
      panels[kind].part("stop").open = false;
      showNow();
      panels[kind].panel.focus();
    });
    showNow();
  }

  const showAll = () => Object.values(shown).forEach((showNow) => showNow());
  const loaded = performance.getEntriesByType("navigation")[0];
  clock.tell(about.now_ms, loaded ? loaded.responseStart : performance.now());
  document.addEventListener("click", (event) => {
    const opener = event.target.closest("[data-opens]");
    if (!opener || !panels[opener.dataset.opens]) return;
    event.preventDefault();
    location.hash = opener.dataset.opens; // the panel is this page's target, until it is closed
    panels[opener.dataset.opens].panel.focus();
  });
  document.addEventListener("soakledger-timers", (event) => {
    about = JSON.parse(event.detail.about);
    clock.tell(about.now_ms, event.detail.heardAt);
    showAll();
  });
  addEventListener("storage", showAll);
  setInterval(showAll, 250);

  const chosen = (kind, name) => panels[kind].part("ask").querySelector(`[name="${name}"]:checked`)?.value;
  return {
    KEPT_FOR_MS, note, now: clock.now, about: () => about, add, show, kept, keep, left, length, ofDay, typed, numberField, asked, chosen,
  };
})();
