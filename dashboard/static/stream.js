// One live stream for a page: tells the page's other scripts each state ("soakledger-state") and whether the stream lives
// ("soakledger-link"). Says plainly when it does not.
"use strict";
(() => {
  const SILENT_AFTER_MS = 5000;
  const AGAIN_AFTER_MS = 3000;
  const notLive = document.getElementById("not-live");
  let stream = null;
  let heardMs = performance.now();
  let timer = 0;

  const tell = (name, detail) => document.dispatchEvent(new CustomEvent(`soakledger-${name}`, { detail }));

  function setLink(live, problem) {
    const from = notLive.dataset.at ? `What you see is from ${notLive.dataset.at}` : "What you see may be old";
    const text = live ? "" : `${problem || `Not live: the connection to the server is lost. ${from}.`} Alarms neither show nor sound here meanwhile. It comes back by itself; if not, load the page again.`;
    if (notLive.textContent !== text) notLive.textContent = text;
    notLive.hidden = live;
    tell("link", { live, hidden: document.hidden });
  }

  function open() {
    close();
    if (document.hidden) return;
    stream = new EventSource("/live");
    stream.addEventListener("state", (event) => {
      const state = JSON.parse(event.data);
      heardMs = performance.now();
      if (state.frame !== null) notLive.dataset.at = state.frame.live_at;
      tell("state", state);
      if (state.frame === null || state.alarms === null) setLink(false, state.problem);
      else setLink(true, "");
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

  // A browser opens six connections to a server: hidden pages give theirs back.
  document.addEventListener("visibilitychange", () => {
    if (!document.hidden) return open();
    close();
    tell("link", { live: false, hidden: true });
  });
  addEventListener("pagehide", close);
  addEventListener("pageshow", (event) => event.persisted && open());
  setInterval(() => {
    if (!document.hidden && performance.now() - heardMs > SILENT_AFTER_MS) setLink(false, "");
  }, 1000);
  open();
})();
