// The timer of the rinses after a soak: each begins with a tap and has its least time.
"use strict";
(() => {
  let problem = "";

  function showRinse() {
    let state = timers.kept("rinse");
    if (state && (!Array.isArray(state.begun_ms) || timers.now() - state.begun_ms.at(-1) > timers.KEPT_FOR_MS || done(state))) {
      timers.keep("rinse", null);
      state = null;
    }
    const { devices, rinse_of } = timers.about();
    if (state && state.devices.length === 0 && state.of === rinse_of && devices.length > 0) {
      state = { ...state, devices }; // they were recorded as taken out after the first rinse had begun
      timers.keep("rinse", state);
    }
    const ask = timers.about().rinses;
    if (state === null) {
      const say = ask === null ? _("Nobody has entered the rinses. Type them from the label.")
        : ask.count === 0 ? _("The label asks for no rinse.")
        : many("{n} rinse of at least {each}, in fresh water.", "{n} rinses of at least {each}, each in fresh water.", ask.count, { each: timers.length(ask.each_ms) });
      timers.show("rinse", {
        phase: "idle", count: null, running: false, say: problem || [...(timers.about().devices.length ? [`${timers.about().devices.join(", ")}.`] : []), say].join(" "),
        start: ask && ask.count === 0 ? null : ask ? _("Start rinse {i} of {n}", { i: 1, n: ask.count }) : _("Start rinse 1"),
        record: null, note: timers.note(), asks: ask === null ? askRinses : null,
      });
      return;
    }
    const [i, n] = [state.begun_ms.length, state.count];
    const left_ms = state.begun_ms.at(-1) + state.each_ms - timers.now();
    const view = { running: true, own: true, note: timers.note(), record: null, start: null, asks: null };
    const each = { i, n, each: timers.length(state.each_ms) };
    if (left_ms > 0) {
      timers.show("rinse", { ...view, phase: `rinse ${i}`, count: timers.left(left_ms), say: _("Rinse {i} of {n} runs: at least {each}.", each) });
    } else if (i < n) {
      timers.show("rinse", { ...view, phase: `over ${i}`, rings: true, count: null, say: _("Rinse {i} of {n} has had its {each}. Take fresh water.", each), start: _("Start rinse {i} of {n}", { i: i + 1, n }) });
    } else {
      timers.show("rinse", { ...view, phase: "all", rings: true, count: null, say: many("{n} rinse has had its time. Dry it, and record the rinse.", "All {n} rinses have had their time. Dry it, and record the rinses.", n), record: [_("Record the rinses"), rinseForm(state)] });
    }
  }

  // All of the load is rinsed, as the record has it.
  const done = (state) => state.begun_ms.length === state.count && state.devices.length > 0
    && state.of === timers.about().rinse_of && timers.about().devices.length === 0;

  const askRinses = () => [timers.numberField("count", _("How many rinses"), "3"), timers.numberField("each", _("Seconds each, at least"), "60")];

  function startRinse() {
    let state = timers.kept("rinse");
    if (state === null) {
      const [count, each_ms] = timers.about().rinses ? [timers.about().rinses.count, timers.about().rinses.each_ms] : [timers.asked("rinse", "count"), (timers.asked("rinse", "each") ?? 0) * 1000];
      if (!count || !each_ms) {
        problem = _("Type both in whole numbers, as the label has them.");
        showRinse();
        return;
      }
      problem = "";
      state = { of: timers.about().rinse_of, devices: timers.about().devices, count, each_ms, begun_ms: [] };
    }
    timers.keep("rinse", { ...state, begun_ms: [...state.begun_ms, timers.now()] });
    showRinse();
  }

  // A rinse ended when it had had its least time, or later: what is sure is filled in.
  function rinseForm(state) {
    const lines = state.begun_ms.map((ms) => `${timers.typed(ms)}; ${timers.typed(ms + state.each_ms)}`);
    const said = { devices: state.devices.join("\n"), rinses: lines.join("\n"), reason: _("Timed at the basin.") };
    return `/do/record-rinses?${new URLSearchParams(said)}`;
  }

  timers.add("rinse", showRinse, startRinse);
})();
