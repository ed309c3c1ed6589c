// The trend of one basin: asks the server for as much detail as the range needs, draws it, keeps it up to date.
"use strict";
(() => {
  const { iso, fromLocal, full, degrees, times } = trendLook;
  const section = document.getElementById("trend");
  const chart = document.getElementById("chart");
  const table = document.getElementById("table");
  const rangeText = document.getElementById("range");
  const { node, basin } = section.dataset;
  const page = `/basins/${encodeURIComponent(node)}/${encodeURIComponent(basin)}/trend`;
  const HOUR_MS = 3600000;
  const SHORTEST_MS = 20000;
  const LONGEST_MS = 400 * 24 * HOUR_MS;
  const coarse = matchMedia("(pointer: coarse)").matches;
  // Either the last so long, up to now, or a range that stands.
  let wanted = section.dataset.since
    ? { since: Number(section.dataset.since), until: Number(section.dataset.until) }
    : { last: section.dataset.last };
  let shown = null;
  let asked = 0;
  let timer = 0;

  async function load() {
    clearTimeout(timer);
    const ticket = ++asked;
    const points = Math.min(4000, Math.max(800, Math.round(chart.clientWidth * 2)));
    try {
      const answer = await fetch(`/api${page}?${new URLSearchParams({ ...wanted, points })}`);
      const body = await answer.json();
      if (ticket !== asked) return;
      if (!answer.ok) throw new Error(body.text);
      shown = body;
      draw(body);
      const tables = await fetch(`${page}/tables?since=${body.since_ms}&until=${body.until_ms}`);
      const rows = await tables.text();
      if (ticket !== asked) return;
      if (!tables.ok) throw new Error(_("the tables did not come"));
      table.innerHTML = rows; // rendered and escaped by our own server
    } catch (error) {
      if (ticket !== asked) return;
      rangeText.textContent = _("The trend could not be loaded ({reason}). It is tried again every few seconds.", { reason: error.message });
    }
    buttons();
    if (wanted.last || !shown) timer = setTimeout(() => (document.hidden ? undefined : load()), pause());
  }

  function pause() {
    const span = shown ? shown.until_ms - shown.since_ms : 0;
    if (span > 8 * 24 * HOUR_MS) return 600000;
    if (span > 48 * HOUR_MS) return 120000;
    if (span > HOUR_MS) return 30000;
    return Number(section.dataset.speed) > 1 ? 2000 : 5000;
  }

  function figure(body) {
    const look = trendLook.colours();
    const limits = trendLines.limits(body);
    const width = chart.clientWidth - trendSoaks.margin(body) - 14;
    const font = { family: getComputedStyle(document.body).fontFamily, size: 14, color: look.soft };
    const { minute, second } = times();
    const plot = { domain: [0, 0.78], range: [0, 1], fixedrange: true, visible: false };
    const layout = {
      width: chart.clientWidth, height: chart.clientHeight, paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font, showlegend: false,
      margin: { l: trendSoaks.margin(body), r: 14, t: 6, b: 46 }, hovermode: "closest", hoverdistance: 40, dragmode: coarse ? false : "zoom", barmode: "overlay", bargap: 0,
      hoverlabel: { bgcolor: look.card, bordercolor: look.ink, font: { ...font, color: look.ink }, align: "left", namelength: -1 },
      xaxis: {
        type: "date", range: [iso(body.since_ms), iso(body.until_ms)], gridcolor: look.rule, linecolor: look.ink, anchor: "y",
        fixedrange: coarse, hoverformat: `%a %-d %b %Y ${second}`, nticks: Math.max(3, Math.floor(chart.clientWidth / 110)),
        tickformatstops: [
          { dtickrange: [null, 59999], value: `${second}\n%a %-d %b %Y` },
          { dtickrange: [60000, 86399999], value: `${minute}\n%a %-d %b %Y` },
          { dtickrange: [86400000, null], value: "%-d %b\n%Y" },
        ],
      },
      yaxis: { domain: [0, 0.78], range: trendLines.yRange(body), overlaying: "y3", tickmode: "auto", fixedrange: true, gridcolor: look.rule, zeroline: false, ticksuffix: " °C", nticks: 7 },
      yaxis2: { domain: [0.82, 1], range: [0, 1.75], fixedrange: true, visible: false },
      yaxis3: plot,
      yaxis4: { ...plot, overlaying: "y3" },
      annotations: [...trendLines.notes(limits, look), ...trendSoaks.notes(body, look, width)],
    };
    return { data: [...trendLines.traces(body, look, width), ...trendSoaks.traces(body, look)], layout, limits, look };
  }

  function draw(body) {
    trendLook.in(body.offsets);
    const { data, layout, limits, look } = figure(body);
    Plotly.react(chart, data, layout, { displayModeBar: false, doubleClick: false, showTips: false });
    listen();
    describe(body);
    legend(body, limits, look);
    document.getElementById("download").href = `/api/basins/${node}/${basin}/readings.csv?since=${body.since_ms}&until=${body.until_ms}`;
  }

  function describe(body) {
    const lines = body.sensors.filter((each) => each.lowest_mc !== null).map((each) => _("{sensor} {lowest} to {highest}", { sensor: each.sensor, lowest: degrees(each.lowest_mc), highest: degrees(each.highest_mc) }));
    const details = { readings: _("every reading"), minutes: _("lowest and highest of each minute"), "half hours": _("lowest and highest of each half hour") };
    const values = lines.length ? _("{lines}. Drawn from {detail}.", { lines: lines.join("; "), detail: details[body.source] }) : _("No reading in this range.");
    rangeText.textContent = `${_("{since} to {until}", { since: full(body.since_ms), until: full(body.until_ms) })}. ${values}`;
  }

  function legend(body, limits, look) {
    const dashes = { solid: "", dash: "9 6", dot: "2 4", dashdot: "9 4 2 4" };
    const line = (kind, dash) => `<line class="${kind}" x1="0" x2="34" y1="7" y2="7" stroke-dasharray="${dashes[dash]}"/>`;
    const sensors = body.sensors.map((each, index) => [line("s", trendLines.DASHES[index % 4]), each.sensor]);
    const lines = limits.map((each) => [line("m", each.dash), each.text]);
    const guard = body.limits.some((each) => each.u_mc) ? [['<rect class="g" x="1" y="1" width="32" height="12"/><path class="gh" d="M4 13 14 1M14 13 24 1M24 13 32 3"/>', _("guard band: warm enough by the number, not proven")]] : [];
    const lid = [['<rect class="b" x="1" y="1" width="32" height="12"/>', body.until_ms - body.since_ms > 24 * HOUR_MS ? _("lid open, or opened several times close together") : _("lid open")]];
    const shapes = { high: "M17 1 24 13H10Z", medium: "M17 0 24 7 17 14 10 7Z", low: "M17 1a6 6 0 1 0 .1 0Z", "sensor check": "M11 1H23V13H11Z", "thermometer check": "M17 1V13M11 7H23" };
    const marks = trendLines.kinds(look).filter((kind) => body.marks.some(kind.is)).map((kind) => [`<path class="k" data-kind="${kind.key}" d="${shapes[kind.key]}"/>`, ["high", "medium", "low"].includes(kind.key) ? _("{priority} alarm", { priority: kind.word }) : kind.word]);
    document.getElementById("legend").replaceChildren(...[...sensors, ...lines, ...guard, ...lid, ...marks].map(([mark, text]) => {
      const item = document.createElement("li");
      item.innerHTML = `<svg viewBox="0 0 34 14" aria-hidden="true">${mark}</svg>`;
      item.append(text);
      return item;
    }));
  }

  async function picture() {
    if (!shown) return;
    const { data, layout, look } = figure(shown);
    const title = { text: `${section.dataset.label} · ${_("{since} to {until}", { since: full(shown.since_ms), until: full(shown.until_ms) })}`, font: { color: look.ink, size: 16 }, x: 0.01, xanchor: "left", y: 0.98 };
    const whole = { ...layout, paper_bgcolor: look.paper, title, margin: { ...layout.margin, t: 40 } };
    try {
      const address = await Plotly.toImage({ data, layout: whole }, { format: "png", width: chart.clientWidth, height: chart.clientHeight + 40, scale: 2 });
      const link = document.createElement("a");
      link.href = address;
      link.download = `${node}-${basin}-${iso(shown.since_ms).slice(0, 16).replace(/[ :]/g, "-")}.png`;
      link.click();
    } catch (error) {
      rangeText.textContent = _("The picture could not be made ({reason}). Take a picture of the screen instead.", { reason: error.message });
    }
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
      const address = event.points[0]?.customdata;
      if (address) location.href = address;
    });
  }

  function take(range) {
    wanted = range;
    history.replaceState(null, "", `${page}?${new URLSearchParams(range)}`);
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
    if (event.target.tagName === "BUTTON" && last) take({ last });
    if (how) move(how);
    if (event.target.id === "picture") picture();
  });
  document.addEventListener("visibilitychange", () => document.hidden || load());
  let resizing = 0;
  addEventListener("resize", () => {
    clearTimeout(resizing);
    resizing = setTimeout(() => shown && draw(shown), 150);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => shown && draw(shown));
  load();
})();
