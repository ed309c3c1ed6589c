// The trend of one basin: asks the server for as much detail as the range needs, draws it, keeps it up to date.
"use strict";
(() => {
  const section = document.getElementById("trend");
  const chart = document.getElementById("chart");
  const table = document.getElementById("table");
  const rangeText = document.getElementById("range");
  const { node, basin } = section.dataset;
  const base = `/api/basins/${encodeURIComponent(node)}/${encodeURIComponent(basin)}`;
  const HOUR_MS = 3600000;
  const SHORTEST_MS = 20000;
  const LONGEST_MS = 400 * 24 * HOUR_MS;
  const coarse = matchMedia("(pointer: coarse)").matches;
  // Either the last so long, up to now, or a range that stands.
  let wanted = section.dataset.since
    ? { since: Number(section.dataset.since), until: Number(section.dataset.until) }
    : { last: "1h" };
  let shown = null;
  let asked = 0;
  let timer = 0;

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();

  function query() {
    const points = Math.min(4000, Math.max(800, Math.round(chart.clientWidth * 2)));
    const range = wanted.last ? { last: wanted.last } : { since: wanted.since, until: wanted.until };
    return new URLSearchParams({ ...range, points });
  }

  async function load() {
    clearTimeout(timer);
    const ticket = ++asked;
    try {
      const answer = await fetch(`${base}/trend?${query()}`);
      const body = await answer.json();
      if (ticket !== asked) return;
      if (!answer.ok) throw new Error(body.text);
      const rows = await (await fetch(`/basins/${node}/${basin}/closures?since=${body.since_ms}&until=${body.until_ms}`)).text();
      if (ticket !== asked) return;
      shown = body;
      draw(body);
      table.innerHTML = rows; // rendered and escaped by our own server
    } catch (error) {
      if (ticket !== asked) return;
      rangeText.textContent = `The trend could not be loaded (${error.message}). It is tried again every few seconds.`;
    }
    buttons();
    if (wanted.last || !shown) timer = setTimeout(() => (document.hidden ? undefined : load()), pause());
  }

  function pause() {
    const span = shown ? shown.until_ms - shown.since_ms : 0;
    if (span > 48 * HOUR_MS) return 120000;
    if (span > HOUR_MS) return 30000;
    return Number(section.dataset.speed) > 1 ? 2000 : 5000;
  }

  // The site's local time, as plotly's date axis takes it: as if it were UTC.
  function local(ms) {
    let offset = shown.offsets[0][1];
    for (const [from, each] of shown.offsets) if (ms >= from) offset = each;
    return ms + offset;
  }
  function fromLocal(text) {
    const at = Date.parse(`${text.replace(" ", "T")}Z`);
    let offset = shown.offsets[0][1];
    for (const [from, each] of shown.offsets) if (at - each >= from) offset = each;
    return Math.round(at - offset);
  }
  const iso = (ms) => new Date(local(ms)).toISOString().slice(0, 23).replace("T", " ");
  const clock = (rfc3339) => rfc3339.slice(11, 16);

  function words(ms) {
    const [weekday, day, month, year] = new Date(local(ms)).toUTCString().replace(",", "").split(" ");
    return `${weekday} ${Number(day)} ${month} ${year} ${new Date(local(ms)).toISOString().slice(11, 19)}`;
  }

  function draw(body) {
    const look = { ink: css("ink"), soft: css("soft"), rule: css("rule"), line: css("line"), tint: css("tint"), card: css("card"), band: css("band"), edge: css("edge"), paper: css("paper") };
    const limits = limitsOf(body);
    const [low, high] = yRange(body, limits);
    const traces = [lidTrace(body, look), ...sensorTraces(body, look), ...limitTraces(body, limits, look), ...closureTraces(body, look)];
    const font = { family: getComputedStyle(document.body).fontFamily, size: 14, color: look.soft };
    const layout = {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font, showlegend: false,
      margin: { l: 56, r: 14, t: 6, b: 46 }, hovermode: "x", dragmode: coarse ? false : "zoom", barmode: "overlay", bargap: 0,
      hoverlabel: { bgcolor: look.card, bordercolor: look.ink, font: { ...font, color: look.ink }, align: "left", namelength: -1 },
      xaxis: {
        type: "date", range: [iso(body.since_ms), iso(body.until_ms)], gridcolor: look.rule, linecolor: look.ink, anchor: "y",
        fixedrange: coarse, hoverformat: "%a %-d %b %Y %H:%M:%S", nticks: Math.max(3, Math.floor(chart.clientWidth / 110)),
        tickformatstops: [
          { dtickrange: [null, 59999], value: "%H:%M:%S\n%a %-d %b %Y" },
          { dtickrange: [60000, 86399999], value: "%H:%M\n%a %-d %b %Y" },
          { dtickrange: [86400000, null], value: "%-d %b\n%Y" },
        ],
      },
      yaxis: { domain: [0, 0.78], range: [low, high], overlaying: "y3", tickmode: "auto", fixedrange: true, gridcolor: look.rule, zeroline: false, ticksuffix: " °C", nticks: 7 },
      yaxis2: { domain: [0.82, 1], range: [0, 1.75], fixedrange: true, visible: false },
      yaxis3: { domain: [0, 0.78], range: [0, 1], fixedrange: true, visible: false },
      annotations: [...limitNotes(limits, look), ...closureNotes(body, look)],
    };
    Plotly.react(chart, traces, layout, { displayModeBar: false, responsive: true, doubleClick: false, showTips: false });
    listen();
    describe(body);
    legend(body, limits);
    document.getElementById("download").href = `${base}/readings.csv?since=${body.since_ms}&until=${body.until_ms}`;
  }

  function limitsOf(body) {
    const asks = body.requirement;
    if (!asks) return [];
    const us = [...new Set(body.sensors.map((each) => each.u_mc).filter((u) => u !== null))];
    const text = (mc) => `${(mc / 1000).toFixed(2).replace(/\.?0+$/, "")} °C`;
    const found = [{ mc: asks.min_mc, dash: "dot", text: `minimum ${text(asks.min_mc)}`, below: true }];
    for (const u of us) if (u > 0) found.push({ mc: asks.min_mc + u, dash: "dash", text: `counts from ${text(asks.min_mc + u)}`, below: false });
    if (asks.max_mc !== null) found.push({ mc: asks.max_mc, dash: "dot", text: `maximum ${text(asks.max_mc)}`, below: false });
    return found;
  }

  function yRange(body, limits) {
    const all = [...limits.map((each) => each.mc), ...body.sensors.flatMap((each) => [each.lowest_mc, each.highest_mc])].filter((mc) => mc !== null && mc !== undefined);
    if (!all.length) return [15, 25];
    const low = Math.min(...all) / 1000;
    const high = Math.max(...all) / 1000;
    const room = Math.max(0.5, (high - low) * 0.12);
    return [low - room, high + room];
  }

  function lidTrace(body, look) {
    const fine = body.until_ms - body.since_ms <= 24 * HOUR_MS; // outlines of many bands would hide the line
    const x = [];
    const y = [];
    for (const [from, to] of body.lid_open) {
      x.push(iso(from), iso(to), iso(to), iso(from), null);
      y.push(0, 0, 1, 1, null);
    }
    return { type: "scatter", mode: "lines", x, y, yaxis: "y3", fill: "toself", fillcolor: fine ? look.band : look.rule, line: { width: fine ? 1 : 0, color: look.edge }, hoverinfo: "skip", name: "lid open" };
  }

  function sensorTraces(body, look) {
    const dashes = ["solid", "dash", "dot", "dashdot"];
    return body.sensors.flatMap((each, index) => {
      const mc = each.corrected_mc;
      const y = mc.map((each_mc) => (each_mc === null ? null : each_mc / 1000));
      const x = each.t_ms.map(iso);
      const line = {
        type: "scatter", mode: "lines", x, y, name: each.sensor, connectgaps: false, line: { color: look.line, width: 2, dash: dashes[index % dashes.length] },
        hovertemplate: "%{y:.2f} °C<extra>%{fullData.name}</extra>",
      };
      // A value alone between two gaps has no line: a dot shows it.
      const alone = mc.flatMap((value, at) => (value !== null && (mc[at - 1] ?? null) === null && (mc[at + 1] ?? null) === null ? [at] : []));
      const dots = { type: "scatter", mode: "markers", x: alone.map((at) => x[at]), y: alone.map((at) => y[at]), marker: { color: look.line, size: 5 }, hoverinfo: "skip" };
      return [line, dots];
    });
  }

  function limitTraces(body, limits, look) {
    const x = [iso(body.since_ms), iso(body.until_ms)];
    return limits.map(({ mc, dash, text }) => ({ type: "scatter", mode: "lines", x, y: [mc / 1000, mc / 1000], line: { color: look.ink, width: 1.5, dash }, hoverinfo: "skip", name: text }));
  }

  function limitNotes(limits, look) {
    return limits.map(({ mc, text, below }) => ({
      xref: "paper", x: 0.004, xanchor: "left", yref: "y", y: mc / 1000, yanchor: below ? "top" : "bottom", text, showarrow: false,
      font: { color: look.ink, size: 14 }, bgcolor: look.paper, borderpad: 1, opacity: 0.9,
    }));
  }

  const looks = (look) => ({
    met: { color: look.tint, line: { color: look.line, width: 2 } },
    "not met": { color: look.card, line: { color: look.ink, width: 2 }, pattern: { shape: "/", fgcolor: look.ink, bgcolor: look.card, size: 7, solidity: 0.45 } },
    unproven: { color: look.card, line: { color: look.ink, width: 1 }, pattern: { shape: ".", fgcolor: look.ink, bgcolor: look.card, size: 6, solidity: 0.35 } },
    running: { color: "rgba(0,0,0,0)", line: { color: look.line, width: 2 } },
  });

  const kindOf = (each) => (each.id === null ? "running" : each.verdict);

  // Soaks are blocks; a lid put down in passing, or a basin standing by, is a strip with the same pattern.
  function closureTraces(body, look) {
    const marker = looks(look);
    const running = body.closures.filter((each) => each.id === null && each.credited_ms > 0);
    const proven = {
      type: "bar", orientation: "h", yaxis: "y2", marker: { color: look.tint }, width: 0.9, offset: 0, hoverinfo: "skip",
      base: running.map((each) => iso(each.last_at_ms - each.credited_ms)), x: running.map((each) => each.credited_ms), y: running.map(() => 0),
    };
    return [proven, ...Object.keys(marker).flatMap((verdict) => [false, true].map((strips) => {
      const blocks = body.closures.filter((each) => kindOf(each) === verdict && quiet(each) === strips);
      const outline = { ...marker[verdict].line, width: strips ? 1 : 2 };
      return {
        type: "bar", orientation: "h", yaxis: "y2", name: verdict, marker: { ...marker[verdict], line: outline },
        width: strips ? 0.22 : 0.9, offset: 0, cliponaxis: true,
        base: blocks.map((each) => iso(each.closed_at_ms)), x: blocks.map((each) => Math.max(1000, each.last_at_ms - each.closed_at_ms)), y: blocks.map(() => 0),
        customdata: blocks.map((each) => each.id), hovertext: blocks.map(hover), hovertemplate: "%{hovertext}<extra></extra>",
      };
    }))];
  }

  function spell(ms) {
    if (ms < 60000) return `${Math.floor(ms / 1000)} s`;
    const minutes = Math.floor(ms / 60000);
    return minutes < 60 ? `${minutes} min` : `${Math.floor(minutes / 60)} h ${minutes % 60} min`;
  }
  const quiet = (each) => each.closed_ms > HOUR_MS || (each.id !== null && each.closed_ms < 60000);
  const word = (each) => (each.id === null ? (each.verdict === "met" ? "met, lid on" : "running") : each.verdict);
  const hover = (each) => `${word(each)}${each.reason ? ` · ${each.reason}` : ""}<br>${clock(each.closed_at)} to ${clock(each.last_at)}, lid on for ${spell(each.closed_ms)}<br>${spell(each.credited_ms)} proven`;

  // Words never collide: the long form if it ends before the next block, else the word, else the pattern alone (its word
  // is on hover and in the table). What failed is named first.
  function closureNotes(body, look) {
    const width = chart.clientWidth - 70;
    const pen = document.createElement("canvas").getContext("2d");
    pen.font = `600 14px ${getComputedStyle(document.body).fontFamily}`;
    const at = (ms) => Math.max(0, ((ms - body.since_ms) / (body.until_ms - body.since_ms)) * width);
    const blocks = body.closures.filter((each) => !quiet(each)).sort((a, b) => a.closed_at_ms - b.closed_at_ms);
    const failed = (each) => each.verdict === "not met" || each.verdict === "unproven";
    const taken = [];
    const notes = [];
    for (const each of [...blocks.filter(failed), ...blocks.filter((block) => !failed(block))]) {
      const left = at(each.closed_at_ms);
      const next = blocks[blocks.indexOf(each) + 1];
      const end = next ? at(next.closed_at_ms) : width;
      const free = (to) => to <= width && taken.every(([from, until]) => to < from || left > until);
      const long = `${word(each)} · ${each.reason || spell(each.closed_ms)}`;
      const text = [long, word(each)].find((form) => free(left + pen.measureText(form).width) && (form !== long || left + pen.measureText(form).width < end));
      if (!text) continue;
      taken.push([left, left + pen.measureText(text).width + 8]);
      notes.push({ xref: "x", x: iso(Math.max(each.closed_at_ms, body.since_ms)), xanchor: "left", yref: "y2", y: 0.95, yanchor: "bottom", text, showarrow: false, font: { color: look.ink, size: 14, weight: 600 }, borderpad: 0 });
    }
    return notes;
  }

  function describe(body) {
    const lines = body.sensors.filter((each) => each.lowest_mc !== null).map((each) => `${each.sensor} ${(each.lowest_mc / 1000).toFixed(2)} to ${(each.highest_mc / 1000).toFixed(2)} °C`);
    const detail = body.source === "readings" ? "every reading" : "lowest and highest of each minute";
    const values = lines.length ? `${lines.join("; ")}. Drawn from ${detail}.` : "No reading in this range.";
    const left = body.closures_left_out ? ` ${body.closures_left_out} earlier closures are not drawn.` : "";
    rangeText.textContent = `${words(body.since_ms)} to ${words(body.until_ms)}. ${values}${left}`;
  }

  function legend(body, limits) {
    const dashes = { solid: "", dash: "9 6", dot: "2 4", dashdot: "9 4 2 4" };
    const sensors = body.sensors.map((each, index) => [`<line class="s" x1="0" x2="34" y1="7" y2="7" stroke-dasharray="${Object.values(dashes)[index % 4]}"/>`, each.sensor]);
    const lines = limits.map((each) => [`<line class="m" x1="0" x2="34" y1="7" y2="7" stroke-dasharray="${dashes[each.dash]}"/>`, each.text]);
    const lid = [['<rect class="b" x="1" y="1" width="32" height="12"/>', "lid open"]];
    document.getElementById("legend").replaceChildren(...[...sensors, ...lines, ...lid].map(([mark, text]) => {
      const item = document.createElement("li");
      item.innerHTML = `<svg viewBox="0 0 34 14" aria-hidden="true">${mark}</svg>`;
      item.append(text);
      return item;
    }));
  }

  let listening = false;
  function listen() {
    if (listening) return;
    listening = true;
    chart.on("plotly_relayout", (change) => {
      const from = change["xaxis.range[0]"];
      if (from) stand(fromLocal(String(from)), fromLocal(String(change["xaxis.range[1]"])));
    });
    chart.on("plotly_doubleclick", () => take({ last: "1h" }));
    chart.on("plotly_click", (event) => {
      const id = event.points[0]?.customdata;
      if (id) location.href = `/closures/${id}`;
    });
  }

  function take(range) {
    wanted = range;
    load();
  }

  function stand(since, until) {
    const middle = (since + until) / 2;
    const half = Math.min(LONGEST_MS, Math.max(SHORTEST_MS, until - since)) / 2;
    take({ since: Math.max(0, Math.round(middle - half)), until: Math.round(middle + half) });
  }

  function move(how) {
    if (!shown) return;
    const { since_ms: since, until_ms: until } = shown;
    const half = (until - since) / 2;
    if (how === "earlier") stand(since - half, until - half);
    if (how === "later") stand(since + half, until + half);
    if (how === "closer") stand(since + half / 2, until - half / 2);
    if (how === "wider") stand(since - half, until + half);
  }

  function buttons() {
    for (const button of section.querySelectorAll("[data-last]")) button.setAttribute("aria-pressed", String(button.dataset.last === wanted.last));
  }

  section.addEventListener("click", (event) => {
    const { last, move: how } = event.target.dataset;
    if (last) take({ last });
    if (how) move(how);
  });
  document.addEventListener("visibilitychange", () => document.hidden || load());
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => shown && draw(shown));
  load();
})();
