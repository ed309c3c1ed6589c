// Timers beside a basin: the test strip and the rinses. All counting is done here, by the server's time, without the
// server; what was tapped is kept in this browser and so belongs to this tablet. A timer records nothing, and never
// says that a strip was read.
"use strict";
(() => {
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

  function kept(kind) {
    try {
      const text = localStorage.getItem(keyOf(kind));
      const found = text === null ? null : JSON.parse(text);
      return found ?? held[kind] ?? null;
    } catch {
      return held[kind] ?? null;
    }
  }

  function keep(kind, state) {
    held[kind] = state;
    try {
      if (state === null) localStorage.removeItem(keyOf(kind));
      else localStorage.setItem(keyOf(kind), JSON.stringify(state));
    } catch {
      // Said in the note under the timer.
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

  const OWN = () => keeps()
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

  // The strip: dipped, waited for, to be read within its window.
  function mecState() {
    const waiting = about.waiting;
    const own = kept("mec");
    const gone = own && (own.fill !== about.fill || clock.now() - own.dipped_ms > KEPT_FOR_MS
      || (about.last_dip_ms !== null && about.last_dip_ms >= own.dipped_ms - 1000));
    if (gone) keep("mec", null);
    if (waiting && clock.now() <= waiting.read_until_ms) {
      const strip = about.strips.find((each) => each.id === waiting.strip_bottle);
      const out_ms = waiting.dipped_ms + (strip ? strip.strip.dip_ms : 0);
      return { recorded: waiting.id, dipped_ms: waiting.dipped_ms, out_ms, from_ms: waiting.read_from_ms, until_ms: waiting.read_until_ms };
    }
    return gone ? null : own;
  }

  function showMec() {
    if (about.fill === "" && !kept("mec")) {
      show("mec", { phase: "none", count: null, say: _("No fill that is MEC tested is recorded in this basin."), running: false, note: "", start: null, record: null, asks: null });
      return;
    }
    const state = mecState();
    if (state === null) {
      show("mec", {
        phase: "idle", count: null, running: false, start: _("Strip dipped"), note: OWN(),
        say: sayStrips(),
        record: null,
        asks: about.strips.length === 1 ? null : askStrips,
      });
      return;
    }
    const now = clock.now();
    const recorded = state.recorded !== undefined;
    const record = recorded
      ? [_("Record what the strip says"), `/do/read-mec-test?${new URLSearchParams({ test: state.recorded })}`]
      : [_("Record the dip"), dipForm(state)];
    const note = recorded
      ? _("The dip is on record (MEC test {id}): every tablet counts for it.", { id: state.recorded })
      : OWN();
    const view = { running: true, own: !recorded, note, record, start: null, asks: null };
    const window = { begin: ofDay(state.from_ms), end: ofDay(state.until_ms) };
    if (now < state.out_ms) {
      show("mec", { ...view, phase: "dip", count: left(state.out_ms - now), say: _("In the solution. Then take it out.") });
    } else if (now < state.from_ms) {
      show("mec", { ...view, phase: "wait", count: left(state.from_ms - now), say: _("Strip out. Do not read it yet: read it from {begin} to {end}.", window) });
    } else if (now <= state.until_ms) {
      show("mec", { ...view, phase: "read", rings: true, count: left(state.until_ms - now), say: _("Read the strip now, by {end}, against its bottle’s own chart.", window) });
    } else {
      show("mec", { ...view, phase: "late", rings: true, count: null, say: _("Its time is over since {end}: unless it was read by then, it says nothing. Throw it away and dip a new one.", window), start: recorded ? null : _("New strip dipped"), asks: about.strips.length === 1 ? null : askStrips });
    }
  }

  function sayStrips() {
    const [first] = about.strips;
    if (first === undefined) return _("Type the times from the strip bottle, then dip and tap.");
    const of = first.id ? _("Strips of bottle {id}, lot {lot}", first) : _("No strip bottle may be used, as the record has it; times from the label");
    const { dip_ms, read_from_ms, read_until_ms } = first.strip;
    const times = _("dip {dip}, read {begin} to {end} after taking it out.", { dip: length(dip_ms), begin: length(read_from_ms), end: length(read_until_ms) });
    return about.strips.length === 1 ? `${of}: ${times}` : _("Choose the strip bottle in your hand, then dip and tap.");
  }

  function askStrips() {
    if (about.strips.length === 0) {
      return [numberField("dip", _("Dip, seconds"), ""), numberField("from", _("Read from, seconds after taking it out"), ""), numberField("until", _("Read until, seconds"), "")];
    }
    const group = document.createElement("fieldset");
    const legend = document.createElement("legend");
    legend.textContent = _("Strip bottle");
    group.append(legend, ...about.strips.map((each, index) => {
      const label = document.createElement("label");
      const input = document.createElement("input");
      Object.assign(input, { type: "radio", name: "strips", value: each.id, checked: index === 0 });
      label.className = "timer-choice";
      label.append(input, ` ${_("{id}, lot {lot}: dip {dip}, read {begin} to {end}", { ...each, dip: length(each.strip.dip_ms), begin: length(each.strip.read_from_ms), end: length(each.strip.read_until_ms) })}`);
      return label;
    }));
    return [group];
  }

  function startMec() {
    const chosen = panels.mec.part("ask").querySelector('[name="strips"]:checked');
    const at = about.strips.find((each) => chosen && each.id === chosen.value) ?? about.strips[0];
    const times = [asked("mec", "dip"), asked("mec", "from"), asked("mec", "until")].map((each) => each === null ? null : each * 1000);
    const [dip_ms, from_ms, until_ms] = at ? [at.strip.dip_ms, at.strip.read_from_ms, at.strip.read_until_ms] : times;
    if ([dip_ms, from_ms, until_ms].includes(null) || until_ms <= from_ms) {
      write(panels.mec.part("say"), _("Type all three times in whole seconds; the last is later than the one before."));
      return;
    }
    const dipped_ms = clock.now();
    const out_ms = dipped_ms + dip_ms;
    keep("mec", { fill: about.fill, strip_bottle: at ? at.id : "", dipped_ms, out_ms, from_ms: out_ms + from_ms, until_ms: out_ms + until_ms });
    showMec();
  }

  function dipForm(state) {
    const said = { fill: state.fill, strip_bottle: state.strip_bottle, dipped_ms: typed(state.dipped_ms), reason: _("Dipped at the basin and timed there.") };
    return `/do/begin-mec-test?${new URLSearchParams(said)}`;
  }

  // Rinses: each begins with a tap and has its least time; taking the next one ends it.
  function showRinse() {
    let state = kept("rinse");
    if (state && (clock.now() - state.begun_ms.at(-1) > KEPT_FOR_MS || done(state))) {
      keep("rinse", null);
      state = null;
    }
    const ask = about.rinses;
    if (state === null) {
      const say = ask === null ? _("Nobody has entered the rinses. Type them from the label.")
        : ask.count === 0 ? _("The label asks for no rinse.")
        : many("{n} rinse of at least {each}, in fresh water.", "{n} rinses of at least {each}, each in fresh water.", ask.count, { each: length(ask.each_ms) });
      show("rinse", {
        phase: "idle", count: null, running: false, say: about.devices.length ? `${about.devices.join(", ")}. ${say}` : say,
        start: ask && ask.count === 0 ? null : ask ? _("Start rinse {i} of {n}", { i: 1, n: ask.count }) : _("Start rinse 1"),
        record: null, note: OWN(), asks: ask === null ? askRinses : null,
      });
      return;
    }
    const [i, n] = [state.begun_ms.length, state.count];
    const left_ms = state.begun_ms.at(-1) + state.each_ms - clock.now();
    const view = { running: true, own: true, note: OWN(), record: null, start: null, asks: null };
    const each = { i, n, each: length(state.each_ms) };
    if (left_ms > 0) {
      show("rinse", { ...view, phase: `rinse ${i}`, count: left(left_ms), say: _("Rinse {i} of {n} runs: at least {each}.", each) });
    } else if (i < n) {
      show("rinse", { ...view, phase: `over ${i}`, rings: true, count: null, say: _("Rinse {i} of {n} has had its {each}. Take fresh water.", each), start: _("Start rinse {i} of {n}", { i: i + 1, n }) });
    } else {
      show("rinse", { ...view, phase: "all", rings: true, count: null, say: many("{n} rinse has had its time. Dry it, and record the rinse.", "All {n} rinses have had their time. Dry it, and record the rinses.", n), record: [_("Record the rinses"), rinseForm(state)] });
    }
  }

  // All of the load is rinsed, as the record has it.
  const done = (state) => state.begun_ms.length === state.count && state.devices.length > 0
    && state.of === about.rinse_of && about.devices.length === 0;

  const askRinses = () => [numberField("count", _("How many rinses"), "3"), numberField("each", _("Seconds each, at least"), "60")];

  function startRinse() {
    let state = kept("rinse");
    if (state === null) {
      const [count, each_ms] = about.rinses ? [about.rinses.count, about.rinses.each_ms] : [asked("rinse", "count"), (asked("rinse", "each") ?? 0) * 1000];
      if (!count || !each_ms) {
        write(panels.rinse.part("say"), _("Type both in whole numbers, as the label has them."));
        return;
      }
      state = { of: about.rinse_of, devices: about.devices, count, each_ms, begun_ms: [] };
    }
    keep("rinse", { ...state, begun_ms: [...state.begun_ms, clock.now()] });
    showRinse();
  }

  // A rinse ended when it had had its least time, or later: what is sure is filled in.
  function rinseForm(state) {
    const lines = state.begun_ms.map((ms) => `${typed(ms)}; ${typed(ms + state.each_ms)}`);
    const said = { devices: state.devices.join("\n"), rinses: lines.join("\n"), reason: _("Timed at the basin.") };
    return `/do/record-rinses?${new URLSearchParams(said)}`;
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
  function showAll() {
    showMec();
    showRinse();
  }

  const loaded = performance.getEntriesByType("navigation")[0];
  clock.tell(about.now_ms, loaded ? loaded.responseStart : performance.now());
  panels.mec.part("start").addEventListener("click", startMec);
  panels.rinse.part("start").addEventListener("click", startRinse);
  for (const kind of ["mec", "rinse"]) {
    panels[kind].part("stop-now").addEventListener("click", () => {
      keep(kind, null);
      panels[kind].part("stop").open = false;
      showAll();
      panels[kind].panel.focus();
    });
  }
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
  showAll();
})();
