// The sound of alarms: bursts of pulses, for as long as the stream lives and somebody has to come. No certified alarm.
"use strict";
(() => {
  // Pulses in a burst: high 10 (published, secondary: IEC 60601-1-8 as cited), in two groups of five; medium 3, low 1
  // (published: a monitor's manual). A burst comes again after 2.5 to 15 s for high (published, secondary), 2.5 to 30 s
  // for medium, after 15 s or not at all for low (both from memory, not verified). Length, pitch and distance of pulses
  // are our own choice.
  const PATTERNS = {
    high: { at_s: [0, 0.25, 0.5, 0.75, 1, 1.75, 2, 2.25, 2.5, 2.75], long_s: 0.15, hertz: 880, again_ms: 8000 },
    medium: { at_s: [0, 0.4, 0.8], long_s: 0.2, hertz: 660, again_ms: 16000 },
    low: { at_s: [0], long_s: 0.2, hertz: 440, again_ms: Infinity },
  };
  const WANTED = "soakledger-sound";
  const LOW_SAID = "soakledger-low-sounded";
  const FADE_S = 0.01;
  const section = document.getElementById("alarms");
  const button = document.getElementById("sound");
  let context = null;
  let wanted = read("localStorage", WANTED) === "on";
  let pulses = [];
  let sounding = "";
  let burstMs = -Infinity;
  let news = [];

  function read(storage, name) {
    try {
      return window[storage].getItem(name);
    } catch {
      return null;
    }
  }

  function keep(storage, name, text) {
    try {
      window[storage].setItem(name, text);
    } catch {
      // A browser that keeps nothing asks again on the next page.
    }
  }

  const playable = () => wanted && context !== null && context.state === "running";

  function show() {
    const on = playable();
    const text = on ? _("Sound is on: press to turn it off") : _("Sound is off: press to turn it on");
    if (button.textContent !== text) button.textContent = text;
    section.dataset.sound = on ? "on" : "off"; // stream.js asks it
    if (on) decide();
    else stop();
  }

  // Browsers let a page sound only once somebody has touched it: until then the button says that the sound is off.
  function start() {
    if (context === null) {
      context = new AudioContext();
      context.addEventListener("statechange", show);
    }
    if (context.state !== "running") context.resume().then(show, show);
    show();
  }

  function pulse(at_s, pattern) {
    const tone = context.createOscillator();
    const level = context.createGain();
    tone.type = "triangle"; // overtones are heard where a single tone drowns
    tone.frequency.value = pattern.hertz;
    level.gain.setValueAtTime(0, at_s);
    level.gain.linearRampToValueAtTime(0.5, at_s + FADE_S);
    level.gain.setValueAtTime(0.5, at_s + pattern.long_s - FADE_S);
    level.gain.linearRampToValueAtTime(0, at_s + pattern.long_s);
    tone.connect(level).connect(context.destination);
    tone.start(at_s);
    tone.stop(at_s + pattern.long_s);
    return tone;
  }

  function burst(priority) {
    const pattern = PATTERNS[priority];
    const begin_s = context.currentTime + 0.05;
    pulses = pattern.at_s.map((after_s) => pulse(begin_s + after_s, pattern));
    burstMs = performance.now();
  }

  function stop() {
    for (const tone of pulses) tone.stop();
    pulses = [];
    sounding = "";
    burstMs = -Infinity;
    delete section.dataset.sounding;
  }

  // The most urgent alone sounds; a low one once, when it is new. Only for a page that may sound.
  function decide() {
    const of = (priority) => news.filter((each) => each.endsWith(`:${priority}`));
    const low = of("low");
    const before = new Set(JSON.parse(read("sessionStorage", LOW_SAID) || "[]"));
    const fresh = low.filter((each) => !before.has(each));
    const loudest = of("high").length ? "high" : of("medium").length ? "medium" : fresh.length ? "low" : "";
    if (fresh.length || before.size !== low.length) keep("sessionStorage", LOW_SAID, JSON.stringify(low));
    if (loudest === "low") {
      stop();
      burst("low");
      return;
    }
    if (loudest !== sounding) stop();
    if (loudest === "") return;
    sounding = loudest;
    section.dataset.sounding = loudest;
    if (performance.now() - burstMs >= PATTERNS[loudest].again_ms) burst(loudest);
  }

  if (!window.AudioContext) {
    document.getElementById("no-sound").hidden = false;
    return;
  }
  button.hidden = false;
  button.addEventListener("click", (event) => {
    event.stopPropagation();
    wanted = !playable();
    keep("localStorage", WANTED, wanted ? "on" : "off");
    if (wanted) start();
    else show();
  });
  for (const touch of ["click", "keydown"]) {
    document.addEventListener(touch, () => wanted && !playable() && start());
  }
  document.addEventListener("soakledger-alarms", (event) => {
    news = event.detail.sounds;
    if (playable()) decide();
  });
  document.addEventListener("soakledger-link", (event) => {
    if (event.detail.live) return;
    news = [];
    stop();
  });
  if (wanted) start();
  else show();
})();
