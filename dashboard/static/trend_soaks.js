// What is drawn of closures: each with its word where there is room, else one row for each verdict, so that none hides another.
"use strict";
const trendSoaks = (() => {
  const { iso, clock, spell, full } = trendLook;
  const HOUR_MS = 3600000;
  const VERDICTS = ["met", "not met", "unproven"];
  const margin = (body) => (rowsOf(body) ? 124 : 56);
  const rowsOf = (body) => body.closures_left_out > 0;

  const looks = (look) => ({
    met: { color: look.tint, line: { color: look.line, width: 2 } },
    "not met": { color: look.card, line: { color: look.ink, width: 2 }, pattern: { shape: "/", fgcolor: look.ink, bgcolor: look.card, size: 7, solidity: 0.45 } },
    unproven: { color: look.card, line: { color: look.ink, width: 1 }, pattern: { shape: ".", fgcolor: look.ink, bgcolor: look.card, size: 6, solidity: 0.35 } },
    running: { color: "rgba(0,0,0,0)", line: { color: look.line, width: 2 } },
  });

  const kindOf = (each) => (each.id === null ? "running" : each.verdict);
  const quiet = (each) => each.closed_ms > HOUR_MS || (each.id !== null && each.closed_ms < 60000);
  const word = (each) => (each.id === null ? (each.verdict === "met" ? _("met, lid on") : _("running")) : each.verdict);
  const coldest = (each) => (each.coldest_mc === null ? "" : `<br>${_("coldest {degrees}", { degrees: trendLook.degrees(each.coldest_mc) })}${each.allowance_mc === null ? "" : `, ${_("allowance {degrees} °C", { degrees: (each.allowance_mc / 1000).toFixed(2) })}`}`);
  const hover = (each) => `${word(each)}${each.reason ? ` · ${each.reason}` : ""}<br>${_("{from} to {to}, lid on for {time}", { from: clock(each.closed_at_ms), to: clock(each.last_at_ms), time: spell(each.closed_ms) })}<br>${_("{time} proven", { time: spell(each.credited_ms) })}${coldest(each)}`;

  // Soaks are blocks; a lid put down in passing, or a basin standing by, is a strip with the same pattern.
  function each(body, look) {
    const marker = looks(look);
    const running = body.closures.filter((closure) => closure.id === null && closure.credited_ms > 0);
    const proven = {
      type: "bar", orientation: "h", yaxis: "y2", marker: { color: look.tint }, width: 0.9, offset: 0, hoverinfo: "skip",
      base: running.map((closure) => iso(closure.last_at_ms - closure.credited_ms)), x: running.map((closure) => closure.credited_ms), y: running.map(() => 0),
    };
    return [proven, ...Object.keys(marker).flatMap((verdict) => [false, true].map((strips) => {
      const blocks = body.closures.filter((closure) => kindOf(closure) === verdict && quiet(closure) === strips);
      const outline = { ...marker[verdict].line, width: strips ? 1 : 2 };
      return {
        type: "bar", orientation: "h", yaxis: "y2", name: verdict, marker: { ...marker[verdict], line: outline },
        width: strips ? 0.22 : 0.9, offset: 0, cliponaxis: true,
        base: blocks.map((closure) => iso(closure.closed_at_ms)), x: blocks.map((closure) => Math.max(1000, closure.last_at_ms - closure.closed_at_ms)), y: blocks.map(() => 0),
        customdata: blocks.map((closure) => closure.id && `/closures/${closure.id}`), hovertext: blocks.map(hover), hovertemplate: "%{hovertext}<extra></extra>",
      };
    }))];
  }

  // Too many for words: a row for each verdict, failed ones no narrower than can be seen.
  function rows(body, look) {
    const marker = looks(look);
    const least = (body.until_ms - body.since_ms) / 500;
    return body.blocks.map((blocks) => {
      const row = VERDICTS.indexOf(blocks.verdict);
      const at = blocks.after_ms.map((after) => body.since_ms + after);
      const said = (index) => (blocks.count[index] === 1 ? blocks.verdict : _("{n} closures {verdict}", { n: blocks.count[index], verdict: blocks.verdict }));
      return {
        type: "bar", orientation: "h", yaxis: "y2", name: blocks.verdict, marker: { ...marker[blocks.verdict], line: { ...marker[blocks.verdict].line, width: 1 } },
        width: blocks.quiet ? 0.12 : 0.42, offset: 0, cliponaxis: true, base: at.map(iso), y: at.map(() => 1.16 - row * 0.58),
        x: blocks.length_ms.map((length) => Math.max(blocks.verdict === "met" ? 1000 : least, length)),
        customdata: blocks.id.map((id, index) => (blocks.count[index] === 1 ? `/closures/${id}` : null)),
        hovertext: at.map((ms, index) => `${said(index)}<br>${full(ms)}${blocks.count[index] === 1 ? "" : `<br>${_("to {time}", { time: full(ms + blocks.length_ms[index]) })}`}`), hovertemplate: "%{hovertext}<extra></extra>",
      };
    });
  }

  // Beside the rows, on a phone too: upon them a word would hide what failed.
  function rowNotes(body, look) {
    const counted = (verdict) => body.blocks.filter((each) => each.verdict === verdict).flatMap((each) => each.count).reduce((sum, count) => sum + count, 0);
    return VERDICTS.map((verdict, row) => ({
      xref: "paper", x: -0.004, xanchor: "right", yref: "y2", y: 1.37 - row * 0.58, yanchor: "middle", showarrow: false, borderpad: 1,
      text: `${verdict} ${counted(verdict)}`, font: { color: look.ink, size: 14, weight: 600 },
    }));
  }

  // Words never collide: the long form if it ends before the next block, else the word, else the pattern alone (its word
  // is on hover and in the table). What failed is named first.
  function eachNotes(body, look, width) {
    const pen = document.createElement("canvas").getContext("2d");
    pen.font = `600 14px ${getComputedStyle(document.body).fontFamily}`;
    const at = (ms) => Math.max(0, ((ms - body.since_ms) / (body.until_ms - body.since_ms)) * width);
    const blocks = body.closures.filter((closure) => !quiet(closure)).sort((a, b) => a.closed_at_ms - b.closed_at_ms);
    const failed = (closure) => closure.verdict === "not met" || closure.verdict === "unproven";
    const taken = [];
    const notes = [];
    for (const closure of [...blocks.filter(failed), ...blocks.filter((block) => !failed(block))]) {
      const left = at(closure.closed_at_ms);
      const next = blocks[blocks.indexOf(closure) + 1];
      const end = next ? at(next.closed_at_ms) : width;
      const free = (to) => to <= width && taken.every(([from, until]) => to < from || left > until);
      const long = `${word(closure)} · ${closure.reason || spell(closure.closed_ms)}`;
      const text = [long, word(closure)].find((form) => free(left + pen.measureText(form).width) && (form !== long || left + pen.measureText(form).width < end));
      if (!text) continue;
      taken.push([left, left + pen.measureText(text).width + 8]);
      notes.push({ xref: "x", x: iso(Math.max(closure.closed_at_ms, body.since_ms)), xanchor: "left", yref: "y2", y: 0.95, yanchor: "bottom", text, showarrow: false, font: { color: look.ink, size: 14, weight: 600 }, borderpad: 0 });
    }
    return notes;
  }

  return {
    margin,
    traces: (body, look) => (rowsOf(body) ? rows(body, look) : each(body, look)),
    notes: (body, look, width) => (rowsOf(body) ? rowNotes(body, look) : eachNotes(body, look, width)),
  };
})();
