// The plots of the page of statistics. Their numbers come with the page and stand in its tables; nothing is computed here.
"use strict";
(() => {
  const found = JSON.parse(document.getElementById("figures").textContent);
  const labels = found.groups.map((each) => each.label);
  const SMALLEST_PX = 90;
  const PAPER_PX = 680;
  const MINUTE_MS = 60000;

  const css = (name) => getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
  const look = () => Object.fromEntries(["ink", "soft", "rule", "line", "tint", "card", "edge", "paper"].map((name) => [name, css(name)]));
  const fontOf = (colours) => ({ family: getComputedStyle(document.body).fontFamily, size: 14, color: colours.soft });

  // Paper is narrower than most screens; it is not known before the browser lays it out.
  const paper = matchMedia("print");
  let printing = false;
  const onPaper = () => printing || paper.matches;
  const widthOf = (element) => (onPaper() ? PAPER_PX : element.clientWidth);
  const plain = (text) => text.replaceAll("&", "&amp;").replaceAll("<", "&lt;"); // plotly reads some markup

  // So many names along the axis as there is room for.
  function ticks(element) {
    const every = Math.max(1, Math.ceil(found.groups.length / Math.max(2, Math.floor(widthOf(element) / SMALLEST_PX))));
    const at = found.groups.map((_group, place) => place).filter((place) => place % every === 0);
    return { tickvals: at, ticktext: at.map((place) => found.groups[place].short) };
  }

  function layoutOf(element, colours, more = {}) {
    const font = fontOf(colours);
    const { xaxis, yaxis, ...rest } = more;
    return {
      paper_bgcolor: "rgba(0,0,0,0)", plot_bgcolor: "rgba(0,0,0,0)", font, showlegend: false, dragmode: false, hovermode: "closest",
      margin: { l: 62, r: 14, t: 12, b: 40 },
      hoverlabel: { bgcolor: colours.card, bordercolor: colours.ink, font: { ...font, color: colours.ink }, align: "left", namelength: -1 },
      xaxis: { fixedrange: true, showgrid: false, zeroline: false, linecolor: colours.ink, tickangle: 0, ...ticks(element), range: [-0.6, found.groups.length - 0.4], ...xaxis },
      yaxis: { fixedrange: true, gridcolor: colours.rule, zeroline: false, nticks: 6, ...yaxis },
      ...(onPaper() ? { width: PAPER_PX, autosize: false } : { autosize: true }),
      ...rest,
    };
  }

  const verdicts = (colours) => [
    ["met", "met", { color: colours.tint, line: { color: colours.line, width: 1.5 } }],
    ["not_met", "not met", { color: colours.card, line: { color: colours.ink, width: 1.5 }, pattern: { shape: "/", fgcolor: colours.ink, bgcolor: colours.card, size: 6, solidity: 0.45 } }],
    ["unproven", "unproven", { color: colours.card, line: { color: colours.ink, width: 1 }, pattern: { shape: ".", fgcolor: colours.ink, bgcolor: colours.card, size: 5, solidity: 0.35 } }],
  ];

  function soaks(element, colours) {
    const x = found.groups.map((_group, place) => place);
    const traces = verdicts(colours).map(([key, word, marker]) => ({
      type: "bar", x, y: found.groups.map((each) => each[key] || null), name: _(word), marker, hovertext: labels,
      hovertemplate: `%{hovertext}<br>%{y} ${_(word)}<extra></extra>`,
    }));
    return [traces, layoutOf(element, colours, { barmode: "stack", bargap: 0.25, yaxis: { rangemode: "tozero", tickformat: ",d" } })];
  }

  function basins(element, colours) {
    const rows = [...found.by_basin].reverse();
    element.style.height = `${70 + 38 * rows.length}px`;
    const y = rows.map((_row, place) => place);
    const names = rows.map((each) => plain(each.label));
    const longest = Math.min(widthOf(element) * 0.4, Math.max(60, ...names.map((name) => name.length * 8)));
    const traces = verdicts(colours).map(([key, word, marker]) => ({
      type: "bar", orientation: "h", y, x: rows.map((each) => each[key] || null), name: _(word), marker, hovertext: names,
      hovertemplate: `%{hovertext}<br>%{x} ${_(word)}<extra></extra>`,
    }));
    const ticktext = rows.map((each) => folded(each.label, Math.floor(longest / 8)));
    const xaxis = { tickvals: undefined, ticktext: undefined, range: undefined, rangemode: "tozero", gridcolor: colours.rule, showgrid: true, tickformat: ",d", nticks: 5 };
    const yaxis = { tickvals: y, ticktext, showgrid: false, nticks: undefined };
    return [traces, layoutOf(element, colours, { barmode: "stack", bargap: 0.35, margin: { l: longest + 14, r: 14, t: 8, b: 34 }, xaxis, yaxis })];
  }

  // In two lines where one is too short.
  function folded(name, most) {
    if (name.length <= most) return plain(name);
    const gap = name.lastIndexOf(" ", most);
    if (gap < 1) return plain(`${name.slice(0, most - 1)}…`);
    const rest = name.slice(gap + 1);
    return `${plain(name.slice(0, gap))}<br>${plain(rest.length > most ? `${rest.slice(0, most - 1)}…` : rest)}`;
  }

  // Outside is told by shape and word; colour says nothing.
  function points(places, values, outside, texts, colours) {
    const of = (where) => places.flatMap((place, at) => ((outside[at] ?? null) === where ? [at] : []));
    const marks = { null: { symbol: "circle", size: 8, color: colours.line }, above: { symbol: "triangle-up", size: 15, color: colours.paper, line: { color: colours.ink, width: 2 } }, below: { symbol: "triangle-down", size: 15, color: colours.paper, line: { color: colours.ink, width: 2 } } };
    return [null, "above", "below"].map((where) => {
      const at = of(where);
      return {
        type: "scatter", mode: where ? "markers+text" : "markers", x: at.map((each) => places[each]), y: at.map((each) => values[each]), marker: marks[where],
        text: where ? at.map(() => (where === "above" ? _("above") : _("below"))) : undefined, textposition: where === "above" ? "top center" : "bottom center", textfont: { color: colours.ink, size: 14 },
        hovertext: at.map((each) => texts[each]), hovertemplate: "%{hovertext}<extra></extra>", cliponaxis: false,
      };
    });
  }

  const line = (x, y, colours, dash, more = {}) => ({ type: "scatter", mode: "lines", x, y, line: { color: colours.ink, width: 1.5, dash, ...more }, hoverinfo: "skip", connectgaps: false });

  // The limits of the groups as steps, each as wide as its group.
  function steps(pairs) {
    const x = [];
    const y = [];
    let before = null;
    for (const [place, value] of pairs) {
      if (before !== null && place > before + 1) {
        x.push(null);
        y.push(null);
      }
      x.push(place - 0.5, place + 0.5);
      y.push(value, value);
      before = place;
    }
    return [x, y];
  }

  const percent = (share) => `${(100 * share).toFixed(1).replace(/\.0$/, "")} %`;

  function share(element, colours) {
    const shown = found.share.points.map((each, place) => ({ ...each, place })).filter((each) => each.n);
    const texts = shown.map((each) => _("{label}<br>{failed} of {n}: {share}<br>limits {lower} to {upper}", { label: labels[each.place], failed: each.failed, n: each.n, share: percent(each.share), lower: percent(each.lower), upper: percent(each.upper) }));
    const traces = [
      line(...steps(shown.map((each) => [each.place, each.upper * 100])), colours, "dash"),
      line(...steps(shown.map((each) => [each.place, each.lower * 100])), colours, "dash"),
      line([-0.5, found.groups.length - 0.5], [found.share.mean * 100, found.share.mean * 100], colours, "solid"),
      ...points(shown.map((each) => each.place), shown.map((each) => each.share * 100), shown.map((each) => each.outside), texts, colours),
    ];
    const most = Math.max(1, ...shown.map((each) => 100 * Math.max(each.share, each.upper)));
    return [traces, layoutOf(element, colours, { yaxis: { range: [-most * 0.06, most * 1.18], ticksuffix: " %" } })];
  }

  const spell = (ms) => {
    const seconds = Math.round(Math.abs(ms) / 1000);
    const text = seconds < 60 ? `${seconds} s` : seconds < 3600 ? `${Math.floor(seconds / 60)} min ${seconds % 60} s` : `${Math.floor(seconds / 3600)} h ${Math.floor((seconds % 3600) / 60)} min`;
    return ms < 0 ? `−${text}` : text;
  };
  const fahrenheit = () => document.documentElement.dataset.fahrenheit !== undefined;
  const degrees = (mc) => {
    const celsius = `${(Math.floor(mc / 10) / 100).toFixed(2)} °C`;
    return (fahrenheit() ? `${celsius} (${((Math.floor(mc / 10) / 100) * 1.8).toFixed(2)} °F)` : celsius).replaceAll("-", "−");
  };

  function margin(body) {
    const time = body.unit === "ms";
    const scale = time ? MINUTE_MS : 1000;
    const say = time ? spell : degrees;
    return (element, colours) => {
      const shown = body.points.map((each, place) => ({ ...each, place })).filter((each) => each.n);
      const places = shown.map((each) => each.place);
      const medians = shown.map((each) => each.median / scale);
      const texts = shown.map((each) => _("{label}<br>median {median} of {n}<br>lowest {lowest}, highest {highest}", { label: labels[each.place], median: say(each.median), n: each.n, lowest: say(each.lowest), highest: say(each.highest) }));
      const across = [-0.5, found.groups.length - 0.5];
      const limits = body.upper === null ? [] : [body.upper, body.lower].map((limit) => line(across, [limit / scale, limit / scale], colours, "dash"));
      // The lowest have an axis of their own below: one long failure would press the medians flat.
      const lowest = shown.map((each) => each.lowest / scale);
      const worst = {
        type: "scatter", mode: "markers", x: places, y: lowest, yaxis: "y2", hovertext: texts, hovertemplate: "%{hovertext}<extra></extra>", cliponaxis: false,
        marker: { symbol: "line-ew", size: Math.max(8, Math.min(18, widthOf(element) / found.groups.length / 2)), line: { color: colours.ink, width: 2.5 } },
      };
      const zero = { ...line(across, [0, 0], colours, "dot", { color: colours.edge }), yaxis: "y2" };
      const mean = line(across, [body.mean / scale, body.mean / scale], colours, "solid");
      const traces = [zero, worst, ...limits, mean, ...points(places, medians, shown.map((each) => each.outside), texts, colours)];
      const range = (values) => {
        const [low, high] = [Math.min(...values), Math.max(...values)];
        const room = Math.max((high - low) * 0.16, time ? 0.5 : 0.05);
        return [low - room, high + room];
      };
      const ticksuffix = time ? " min" : " °C";
      const limitValues = body.upper === null ? [] : [body.upper / scale, body.lower / scale];
      return [traces, layoutOf(element, colours, {
        xaxis: { anchor: "y2" }, yaxis: { domain: [0.46, 1], range: range([...medians, ...limitValues]), ticksuffix, nticks: 5 },
        yaxis2: { domain: [0, 0.34], range: range([0, ...lowest]), ticksuffix, nticks: 4, fixedrange: true, gridcolor: colours.rule, zeroline: false },
        margin: { l: 78, r: 14, t: 26, b: 40 }, annotations: [[1, _("median")], [0.34, _("lowest")]].map(([y, text]) => ({ xref: "paper", yref: "paper", x: 0, y, xanchor: "left", yanchor: "bottom", text, showarrow: false, font: { color: colours.ink, size: 14 } })),
      })];
    };
  }

  function release(element, colours) {
    const rows = found.release.bars;
    const x = rows.map((_row, place) => place);
    const narrow = widthOf(element) < 620;
    const bars = {
      type: "bar", x, y: rows.map((each) => each.count), marker: { color: colours.tint, line: { color: colours.line, width: 1.5 } }, hovertext: rows.map((each) => each.label),
      hovertemplate: `%{hovertext}<br>${_("{n} rounds", { n: "%{y}" })}<extra></extra>`, text: rows.map((each) => String(each.count)), textposition: "outside", constraintext: "none", textfont: { color: colours.ink, size: 14 }, cliponaxis: false,
    };
    const ticktext = rows.map((each) => (narrow ? spellShort(each) : each.label.replace(/(\d) /g, "$1\u00a0").replace(" ", "<br>")));
    const xaxis = { tickvals: x, ticktext, range: [-0.6, rows.length - 0.4] };
    const most = Math.max(1, ...rows.map((each) => each.count));
    return [[bars], layoutOf(element, colours, { bargap: 0.3, xaxis, yaxis: { range: [0, most * 1.2], tickformat: ",d" }, margin: { l: 62, r: 14, t: 12, b: 56 } })];
  }
  const spellShort = (bar) => (bar.from_ms < 60 * MINUTE_MS ? `${bar.from_ms / MINUTE_MS}<br>min` : `${bar.from_ms / 60 / MINUTE_MS}<br>h`);

  const figures = { soaks, basins, share, release, time: margin(found.time), allowance: margin(found.allowance), coldest: margin(found.coldest) };

  function draw() {
    const colours = look();
    for (const element of document.querySelectorAll(".plot")) {
      const [traces, layout] = figures[element.dataset.figure](element, colours);
      Plotly.react(element, traces, layout, { displayModeBar: false, responsive: true, doubleClick: false, showTips: false });
    }
  }

  let waiting = 0;
  addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(draw, 150);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  paper.addEventListener("change", draw); // paper has colours of its own
  const opened = new Set();
  addEventListener("beforeprint", () => {
    printing = true;
    for (const each of document.querySelectorAll("details.numbers:not([open])")) {
      opened.add(each);
      each.open = true;
    }
    draw();
  });
  addEventListener("afterprint", () => {
    printing = false;
    for (const each of opened) each.open = false;
    opened.clear();
    draw();
  });
  draw();
})();
