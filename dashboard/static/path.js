// The start page without loading it again: scans are sent one after the other, what comes back takes the place of what
// stood there, and while a lid is waited for the page looks every second.
"use strict";
(() => {
  const LOOK_MS = 1000;
  const STALE_MS = 5000;
  const PATIENCE_MS = 10000;
  const path = document.getElementById("path");
  const form = document.getElementById("scan-form");
  const field = document.getElementById("scan");
  const unsent = document.getElementById("unsent");
  const stale = document.getElementById("stale");
  const news = document.getElementById("news");
  const STATE = ["device", "basin", "load", "form_token"];
  const waiting = [];
  let sending = false;
  let seenMs = performance.now();

  const part = (root, id) => root.querySelector(`#${id}`);

  function tell(text) {
    unsent.textContent = text;
    unsent.hidden = text === "";
  }

  async function ask(address, more) {
    const answer = await fetch(address, { ...more, signal: AbortSignal.timeout(PATIENCE_MS) });
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    return { page, leads: answer.ok && answer.redirected ? answer.url : "" };
  }

  function put(fresh, ids) {
    for (const id of ids) {
      const [old, now] = [part(path, id), part(fresh, id)];
      if (old.innerHTML !== now.innerHTML) old.innerHTML = now.innerHTML;
      Object.assign(old.dataset, now.dataset);
    }
    const sentence = part(path, "standing").querySelector("h1").textContent;
    if (news.textContent !== sentence) news.textContent = sentence;
    if ("watch" in fresh.dataset) path.dataset.watch = "";
    else delete path.dataset.watch;
    seenMs = performance.now();
    delete path.dataset.stale;
    stale.hidden = true;
  }

  async function send(extra) {
    const body = new FormData(form);
    for (const name of [...new Set(body.keys())]) if (!STATE.includes(name)) body.delete(name);
    for (const [name, content] of extra) body.set(name, content);
    const { page, leads } = await ask(form.getAttribute("action"), { method: "POST", body: new URLSearchParams(body) });
    const fresh = part(page, "path");
    if (fresh === null && leads !== "") {
      location.assign(leads); // a form of its own
      return;
    }
    if (fresh === null) {
      const main = part(page, "main");
      throw new Error(main ? main.textContent.replace(/\s+/g, " ").trim() : "");
    }
    put(fresh, ["said", "standing", "acting", "state", "undoing"]);
    path.dataset.address = fresh.dataset.address;
    history.replaceState(null, "", fresh.dataset.address);
    const [who, nowWho] = [document, page].map((each) => each.querySelector(".who"));
    if (who && nowWho) who.innerHTML = nowWho.innerHTML;
  }

  // One after the other: each scan goes with what the one before it has made of the page.
  async function sendAll() {
    if (sending) return;
    sending = true;
    path.dataset.sending = "";
    while (waiting.length) {
      try {
        await send(waiting.shift());
        tell("");
      } catch (error) {
        waiting.length = 0; // sent later they might be recorded in somebody else's hands
        const plain = error instanceof TypeError || error.name === "TimeoutError" || error.name === "AbortError";
        tell(`${plain || !error.message ? _("No answer from the server.") : error.message} ${_("It is not known whether the last scan was recorded. Scan it again: nothing is recorded twice.")}`);
      }
    }
    sending = false;
    delete path.dataset.sending;
    if (path.getBoundingClientRect().top < 0) path.scrollIntoView(); // typing had moved the page to the scan line
  }

  document.addEventListener("submit", (event) => {
    if (event.target !== form && event.target.id !== "act-form") return;
    event.preventDefault();
    const action = event.submitter?.name === "action" ? event.submitter.value : "";
    const text = field.value;
    field.value = "";
    waiting.push(action ? [["action", action]] : [["scan", text]]);
    sendAll();
  });

  async function watch() {
    const due = "watch" in path.dataset && !sending && !document.hidden;
    if (due) {
      const address = path.dataset.address;
      try {
        const { page } = await ask(address, { headers: { Accept: "*/*" } });
        const fresh = part(page, "path");
        if (fresh && !sending && path.dataset.address === address) put(fresh, ["standing"]);
      } catch {
        // said below, once it has lasted
      }
      if (performance.now() - seenMs > STALE_MS) {
        path.dataset.stale = "";
        stale.hidden = false;
      }
    } else seenMs = performance.now();
    setTimeout(watch, LOOK_MS);
  }
  setTimeout(watch, LOOK_MS);

  // With scripts the scanner needs no focus, which would move the page to the scan line at every key and bring up a
  // tablet's keyboard; without them the field has it from the start.
  addEventListener("load", () => setTimeout(() => field.value || field.blur())); // a scan has begun: it goes on there
})();
