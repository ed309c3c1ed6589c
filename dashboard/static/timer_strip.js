// The timer of a strip: dipped, waited for, to be read within its window. A dip that is on record is counted for
// on every tablet; one that is not belongs to the tablet on which it was tapped.
"use strict";
(() => {
  const LATE_MS = 600000; // for so long a strip that was not read in time is said to be over
  let problem = "";

  function mecState() {
    const { waiting } = timers.about();
    const own = timers.kept("mec");
    const gone = own && (!Number.isFinite(own.dipped_ms) || own.fill !== timers.about().fill || timers.now() - own.dipped_ms > timers.KEPT_FOR_MS
      || (timers.about().last_dip_ms !== null && timers.about().last_dip_ms >= own.dipped_ms - 1000));
    if (gone) timers.keep("mec", null);
    const newer = own && !gone && waiting && own.dipped_ms > waiting.dipped_ms;
    if (waiting && !newer && timers.now() <= waiting.read_until_ms + LATE_MS) {
      const strip = timers.about().strips.find((each) => each.id === waiting.strip_bottle);
      const out_ms = waiting.dipped_ms + (strip ? strip.strip.dip_ms : 0);
      return { recorded: waiting.id, dipped_ms: waiting.dipped_ms, out_ms, from_ms: waiting.read_from_ms, until_ms: waiting.read_until_ms };
    }
    return gone ? null : own;
  }

  function showMec() {
    if (timers.about().fill === "" && !timers.kept("mec")) {
      timers.show("mec", { phase: "none", count: null, say: _("No fill that is MEC tested is recorded in this basin."), running: false, note: "", start: null, record: null, asks: null });
      return;
    }
    const state = mecState();
    if (state === null) {
      timers.show("mec", {
        phase: "idle", count: null, running: false, start: _("Strip dipped"), note: timers.note(),
        say: problem || sayStrips(),
        record: null,
        asks: timers.about().strips.length === 1 ? null : askStrips,
      });
      return;
    }
    const now = timers.now();
    const recorded = state.recorded !== undefined;
    const record = recorded
      ? [_("Record what the strip says"), `/do/read-mec-test?${new URLSearchParams({ test: state.recorded })}`]
      : [_("Record the dip"), dipForm(state)];
    const note = recorded
      ? _("The dip is on record (MEC test {id}): every tablet counts for it.", { id: state.recorded })
      : timers.note();
    const view = { running: true, own: !recorded, note, record, start: null, asks: null };
    const window = { begin: timers.ofDay(state.from_ms), end: timers.ofDay(state.until_ms) };
    if (now < state.out_ms) {
      timers.show("mec", { ...view, phase: "dip", count: timers.left(state.out_ms - now), say: _("In the solution. Then take it out.") });
    } else if (now < state.from_ms) {
      timers.show("mec", { ...view, phase: "wait", count: timers.left(state.from_ms - now), say: _("Take it out. Do not read it yet: read it from {begin} to {end}.", window) });
    } else if (now <= state.until_ms) {
      timers.show("mec", { ...view, phase: "read", rings: true, count: timers.left(state.until_ms - now), say: _("Read the strip now, by {end}, against its bottle’s own chart.", window) });
    } else {
      timers.show("mec", { ...view, phase: "late", rings: true, count: null, say: _("Its time is over since {end}: unless it was read by then, it says nothing. Throw it away and dip a new one.", window), start: _("New strip dipped"), record: recorded ? [_("Record that it was not read"), `/do/abandon-mec-test?${new URLSearchParams({ test: state.recorded })}`] : null, asks: timers.about().strips.length === 1 ? null : askStrips });
    }
  }

  function sayStrips() {
    const [first] = timers.about().strips;
    if (first === undefined) return _("Type the times from the strip bottle, then dip and tap.");
    const of = first.id ? _("Strips of bottle {id}, lot {lot}", first) : _("No strip bottle may be used, as the record has it; times from the label");
    const { dip_ms, read_from_ms, read_until_ms } = first.strip;
    const times = _("dip {dip}, read {begin} to {end} after taking it out.", { dip: timers.length(dip_ms), begin: timers.length(read_from_ms), end: timers.length(read_until_ms) });
    return timers.about().strips.length === 1 ? `${of}: ${times}` : _("Choose the strip bottle in your hand, then dip and tap.");
  }

  function askStrips() {
    if (timers.about().strips.length === 0) {
      return [timers.numberField("dip", _("Dip, seconds"), ""), timers.numberField("from", _("Read from, seconds after taking it out"), ""), timers.numberField("until", _("Read until, seconds"), "")];
    }
    const group = document.createElement("fieldset");
    const legend = document.createElement("legend");
    legend.textContent = _("Strip bottle");
    group.append(legend, ...timers.about().strips.map((each, index) => {
      const label = document.createElement("label");
      const input = document.createElement("input");
      Object.assign(input, { type: "radio", name: "strips", value: each.id, checked: index === 0 });
      label.className = "timer-choice";
      label.append(input, ` ${_("{id}, lot {lot}: dip {dip}, read {begin} to {end}", { ...each, dip: timers.length(each.strip.dip_ms), begin: timers.length(each.strip.read_from_ms), end: timers.length(each.strip.read_until_ms) })}`);
      return label;
    }));
    return [group];
  }

  function startMec() {
    const chosen = timers.chosen("mec", "strips");
    const at = timers.about().strips.find((each) => each.id === chosen) ?? timers.about().strips[0];
    const times = [timers.asked("mec", "dip"), timers.asked("mec", "from"), timers.asked("mec", "until")].map((each) => each === null ? null : each * 1000);
    const [dip_ms, from_ms, until_ms] = at ? [at.strip.dip_ms, at.strip.read_from_ms, at.strip.read_until_ms] : times;
    if ([dip_ms, from_ms, until_ms].includes(null) || until_ms <= from_ms) {
      problem = _("Type all three times in whole seconds; the last is later than the one before.");
      showMec();
      return;
    }
    problem = "";
    const dipped_ms = timers.now();
    const out_ms = dipped_ms + dip_ms;
    timers.keep("mec", { fill: timers.about().fill, strip_bottle: at ? at.id : "", dipped_ms, out_ms, from_ms: out_ms + from_ms, until_ms: out_ms + until_ms });
    showMec();
  }

  function dipForm(state) {
    const said = { fill: state.fill, strip_bottle: state.strip_bottle, dipped_ms: timers.typed(state.dipped_ms), reason: _("Dipped at the basin and timed there.") };
    return `/do/begin-mec-test?${new URLSearchParams(said)}`;
  }

  timers.add("mec", showMec, startMec);
})();
