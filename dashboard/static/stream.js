// One live stream for a page: tells the page's other scripts each state ("soakledger-state": everything, and in `changed`
// the lanes that are new in it), the alarms that stand ("soakledger-alarms") and whether the stream lives
// ("soakledger-link"). Says plainly when it does not. The server tells all lanes once, then those that change.
"use strict";
(() => {
  const SILENT_AFTER_MS = 5000;
  const AGAIN_AFTER_MS = 3000;
  const KEEPER = "soakledger-keeps-sounding";
  const own = String(Math.random());
  const notLive = document.getElementById("not-live");
  let stream = null;
  let heardMs = performance.now();
  let timer = 0;
  let alarms = null; // what stands, null where that is not known
  let shown = false; // the basins
  let problem = "";
  let lanes = new Map(); // by key, in the server's order

  const tell = (name, detail) => document.dispatchEvent(new CustomEvent(`soakledger-${name}`, { detail }));

  function setLink(live, problem) {
    const lost = notLive.dataset.at
      ? _("Not live: the connection to the server is lost. What you see is from {time}.", { time: notLive.dataset.at })
      : _("Not live: the connection to the server is lost. What you see may be old.");
    const meanwhile = _("Alarms neither show nor sound here meanwhile. It comes back by itself; if not, load the page again.");
    const text = live ? "" : `${problem || lost} ${meanwhile}`;
    if (notLive.textContent !== text) notLive.textContent = text;
    notLive.hidden = live;
    tell("link", { live, hidden: document.hidden });
  }

  // Alarms come when they change; whoever had lost the link is told them again.
  function tellAlarms() {
    setLink(shown && alarms !== null, problem);
    if (shown && alarms !== null) tell("alarms", alarms);
  }

  function tellState(state) {
    heardMs = performance.now();
    let changed = [];
    if (state.frame !== null) {
      notLive.dataset.at = state.frame.live_at;
      changed = state.frame.lanes;
      for (const lane of changed) lanes.set(lane.key, lane);
      state.frame.lanes = [...lanes.values()];
    }
    tell("state", { ...state, changed });
    [shown, problem] = [state.frame !== null, state.problem];
    tellAlarms();
  }

  function open() {
    close();
    if (document.hidden && !keeps()) return;
    [alarms, shown] = [null, false];
    stream = new EventSource("/live");
    stream.addEventListener("state", (event) => {
      lanes = new Map();
      tellState(JSON.parse(event.data));
    });
    stream.addEventListener("changes", (event) => tellState(JSON.parse(event.data)));
    stream.addEventListener("alarms", (event) => {
      alarms = JSON.parse(event.data);
      tellAlarms();
    });
    stream.addEventListener("error", () => {
      if (stream && stream.readyState === EventSource.CLOSED) timer = setTimeout(open, AGAIN_AFTER_MS);
    });
  }

  function close() {
    clearTimeout(timer);
    if (stream) stream.close();
    stream = null;
  }

  // A browser opens six connections to a server: hidden pages give theirs back, but for the one that was hidden last with
  // its sound on: it goes on sounding behind whatever is in front, as far as the browser lets it.
  const sounds = () => document.getElementById("alarms").dataset.sound === "on";
  const keeps = () => sounds() && stored() === own;

  function stored(...change) {
    try {
      if (change.length) localStorage.setItem(KEEPER, change[0]);
      return localStorage.getItem(KEEPER);
    } catch {
      return null;
    }
  }

  function hide() {
    if (sounds()) stored(own);
    if (keeps()) {
      if (stream === null) open();
      return;
    }
    close();
    tell("link", { live: false, hidden: true });
  }

  // A page that goes is hidden once more on its way out: it must not take back what it has just handed on.
  let leaving = false;
  document.addEventListener("visibilitychange", () => leaving || (document.hidden ? hide() : open()));
  addEventListener("storage", (event) => {
    if (!document.hidden || event.key !== KEEPER) return;
    if (stored() === "") hide(); // the page that kept sounding is gone
    else if (stream !== null && !keeps()) {
      close();
      tell("link", { live: false, hidden: true });
    }
  });
  addEventListener("pagehide", () => {
    leaving = true;
    close();
    if (stored() === own) stored("");
  });
  addEventListener("pageshow", (event) => {
    leaving = false;
    if (event.persisted) open();
  });
  setInterval(() => {
    if (stream !== null && performance.now() - heardMs > SILENT_AFTER_MS) setLink(false, "");
  }, 1000);
  open();
})();
