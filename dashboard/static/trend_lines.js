// What is drawn of temperatures, limits, lid, alarms and checks.
"use strict";
const trendLines = (() => {
  const { iso, degrees, full } = trendLook;
  const DAY_MS = 86400000;
  const DASHES = ["solid", "dash", "dot", "dashdot"];

  // What the words at the lines say: the limits of the newest part of the range.
  function limits(body) {
    const last = body.limits.at(-1);
    if (!last) return [];
    const found = [{ mc: last.min_mc, dash: "dot", text: _("minimum {degrees}", { degrees: degrees(last.min_mc, true) }), below: true }];
    if (last.u_mc) found.push({ mc: last.min_mc + last.u_mc, dash: "dash", text: _("counts from {degrees}", { degrees: degrees(last.min_mc + last.u_mc, true) }), below: false });
    if (last.max_mc !== null) found.push({ mc: last.max_mc, dash: "dot", text: _("maximum {degrees}", { degrees: degrees(last.max_mc, true) }), below: false });
    return found;
  }

  function yRange(body) {
    const of = (each) => [each.min_mc, each.min_mc + each.u_mc, each.max_mc];
    const all = [...body.limits.flatMap(of), ...body.sensors.flatMap((each) => [each.lowest_mc, each.highest_mc])].filter((mc) => mc !== null && mc !== undefined);
    if (!all.length) return [15, 25];
    const low = Math.min(...all) / 1000;
    const high = Math.max(...all) / 1000;
    const room = Math.max(0.5, (high - low) * 0.12);
    return [low - room, high + room];
  }

  function lid(body, look) {
    const fine = body.until_ms - body.since_ms <= DAY_MS; // outlines of many bands would hide the line
    const x = [];
    const y = [];
    for (const [after, length] of body.lid_open) {
      const [from, to] = [iso(body.since_ms + after), iso(body.since_ms + after + length)];
      x.push(from, from, to, to, null);
      y.push(0, 1, 1, 0, null);
    }
    return { type: "scatter", mode: "lines", x, y, yaxis: "y3", fill: "toself", fillcolor: fine ? look.band : look.rule, line: { width: fine ? 1 : 0, color: look.edge }, hoverinfo: "skip", name: "lid open" };
  }

  // From the minimum to the minimum plus U: warm enough by the number, not by the proof.
  function guard(body, look) {
    const x = [];
    const y = [];
    for (const { from_ms: from, until_ms: until, min_mc: min, u_mc: u } of body.limits) {
      if (!u) continue;
      const [begin, end] = [iso(body.since_ms + from), iso(body.since_ms + until)];
      x.push(begin, begin, end, end, null);
      y.push(min / 1000, (min + u) / 1000, (min + u) / 1000, min / 1000, null);
    }
    return { type: "scatter", mode: "none", x, y, fill: "toself", fillcolor: look.rule, fillpattern: { shape: "/", fgcolor: look.edge, bgcolor: "rgba(0,0,0,0)", size: 10, solidity: 0.12 }, hoverinfo: "skip", name: "guard band" };
  }

  function limitLines(body, look) {
    const kinds = [["dot", (each) => each.min_mc], ["dash", (each) => (each.u_mc ? each.min_mc + each.u_mc : null)], ["dot", (each) => each.max_mc]];
    return kinds.flatMap(([dash, of]) => {
      const parts = body.limits.filter((each) => of(each) !== null);
      if (!parts.length) return [];
      const x = parts.flatMap((each) => [iso(body.since_ms + each.from_ms), iso(body.since_ms + each.until_ms), null]);
      const y = parts.flatMap((each) => [of(each) / 1000, of(each) / 1000, null]);
      return [{ type: "scatter", mode: "lines", x, y, connectgaps: false, line: { color: look.ink, width: 1.5, dash }, hoverinfo: "skip", name: "limit" }];
    });
  }

  function sensors(body, look) {
    return body.sensors.flatMap((each, index) => {
      const mc = each.corrected_mc;
      const y = mc.map((value) => (value === null ? null : value / 1000));
      const x = each.after_ms.map((after) => iso(body.since_ms + after));
      const line = {
        type: "scatter", mode: "lines", x, y, name: each.sensor, connectgaps: false, line: { color: look.line, width: 2, dash: DASHES[index % DASHES.length] },
        text: mc.map((value) => (value === null ? "" : degrees(value))), hovertemplate: "%{text}<extra>%{fullData.name}</extra>",
      };
      // A value alone between two gaps has no line: a dot shows it.
      const alone = mc.flatMap((value, at) => (value !== null && (mc[at - 1] ?? null) === null && (mc[at + 1] ?? null) === null ? [at] : []));
      const dots = { type: "scatter", mode: "markers", x: alone.map((at) => x[at]), y: alone.map((at) => y[at]), marker: { color: look.line, size: 5 }, hoverinfo: "skip" };
      return [line, dots];
    });
  }

  function notes(found, look) {
    return found.map(({ mc, text, below }) => ({
      xref: "paper", x: 0.004, xanchor: "left", yref: "y", y: mc / 1000, yanchor: below ? "top" : "bottom", text, showarrow: false,
      font: { color: look.ink, size: 14 }, bgcolor: look.paper, borderpad: 1, opacity: 0.9,
    }));
  }

  // Alarms: colour, shape and word for each priority. Checks: ink, and their words.
  const kinds = (look) => [
    { key: "high", is: (mark) => mark.priority === "high", symbol: "triangle-up", color: look["alarm-high"], word: _("high") },
    { key: "medium", is: (mark) => mark.priority === "medium", symbol: "diamond", color: look["alarm-medium"], word: _("medium") },
    { key: "low", is: (mark) => mark.priority === "low", symbol: "circle", color: look["alarm-low"], word: _("low") },
    { key: "sensor check", is: (mark) => mark.kind === "sensor check", symbol: "square-open", color: look.ink, word: _("sensor check") },
    { key: "thermometer check", is: (mark) => mark.kind === "thermometer check", symbol: "cross-thin-open", color: look.ink, word: _("thermometer") },
  ];

  function markText(mark, at) {
    const several = mark.count > 1 ? _("{n} close together, the first: ", { n: mark.count }) : "";
    const when = full(at);
    if (mark.kind === "alarm") return `${several}${_("{priority} alarm: {text}", { priority: mark.priority, text: mark.text })}<br>${when}`;
    if (mark.kind === "sensor check") return `${several}${_("sensor check")}<br>${when}`;
    const indicated = mark.indicated_mc === null ? _("no sensor gave a value") : _("sensors {degrees}", { degrees: degrees(mark.indicated_mc) });
    return `${several}${_("thermometer {degrees}", { degrees: degrees(mark.read_mc) })}, ${indicated}<br>${when}`;
  }

  function marks(body, look, width) {
    const near = (before, mark) => ((mark.after_ms - before.after_ms) / (body.until_ms - body.since_ms)) * width < 110;
    return kinds(look).flatMap(({ is, symbol, color, word }, row) => {
      const own = body.marks.filter(is);
      if (!own.length) return [];
      const words = own.map((mark, at) => (own[at + 1] && near(mark, own[at + 1]) ? "" : mark.count > 1 ? `${word} × ${mark.count}` : word));
      return [{
        type: "scatter", mode: "markers+text", yaxis: "y4", x: own.map((mark) => iso(body.since_ms + mark.after_ms)), y: own.map(() => 0.96 - row * 0.075),
        marker: { symbol, color, size: 13, line: { color: look.ink, width: 1.5 } }, text: words, textposition: own.map((mark) => (mark.after_ms > 0.85 * (body.until_ms - body.since_ms) ? "middle left" : "middle right")), textfont: { color: look.ink, size: 14 },
        customdata: own.map((mark) => mark.page), hovertext: own.map((mark) => markText(mark, body.since_ms + mark.after_ms)), hovertemplate: "%{hovertext}<extra></extra>", cliponaxis: false, name: word,
      }];
    });
  }

  return { DASHES, limits, yRange, notes, kinds, traces: (body, look, width) => [lid(body, look), guard(body, look), ...sensors(body, look), ...limitLines(body, look), ...marks(body, look, width)] };
})();
