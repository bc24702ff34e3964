// Zooming into curves: each drawing of the server gets a button; what is zoomed into is asked of the server anew, from
// the finest tier that fits. Without this script the drawings stay as they are.

const place = document.getElementById("curves");
const source = place ? new URL(place.dataset.source, location.href) : null;
const moment = new Intl.DateTimeFormat("en-GB", {
  timeZone: place ? place.dataset.zone : "UTC", dateStyle: "medium", timeStyle: "long",
});
const dashes = [[], [7, 4], [2, 4], [9, 3, 2, 3]];

function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

async function ask(channels, from, until) {
  const url = new URL(source);
  url.searchParams.set("channels", channels);
  if (from !== undefined) {
    url.searchParams.set("from", String(Math.max(Math.round(from), 0)));
    url.searchParams.set("until", String(Math.round(until)));
  }
  const answer = await fetch(url);
  if (!answer.ok) throw new Error(`the server answered ${answer.status}`);
  return answer.json();
}

// Rows of several channels side by side: uPlot wants one column of times, null where there is no reading.
function aligned(chosen) {
  const every = [...new Set(chosen.flatMap((one) => one.time_ms))].sort((a, b) => a - b);
  const at = new Map(every.map((time, row) => [time, row]));
  const columns = [every.map((time) => time / 1000)];
  for (const one of chosen) {
    for (const name of ["minimum", "mean", "maximum"]) {
      const column = new Array(every.length).fill(null);
      one.time_ms.forEach((time, row) => { column[at.get(time)] = one[name][row]; });
      columns.push(column);
    }
  }
  return columns;
}

function series(chosen) {
  const ink = colour("--ink"), line = colour("--line"), reach = colour("--rule");
  const found = [{ label: "time", value: (chart, seconds) => seconds === null ? "" : moment.format(new Date(seconds * 1000)) }];
  chosen.forEach((one, number) => {
    const dash = dashes[number % dashes.length];
    found.push({ label: `${one.name} lowest`, stroke: reach, width: 1, spanGaps: true });
    found.push({ label: one.name, stroke: number % 2 ? ink : line, width: 2, dash, spanGaps: true });
    found.push({ label: `${one.name} highest`, stroke: reach, width: 1, spanGaps: true });
  });
  return found;
}

async function open(box, channels, said) {
  let curve = await ask(channels);
  const whole = { from: curve.from_ms, until: curve.until_ms };
  let busy = false;
  const axis = { stroke: colour("--ink"), grid: { stroke: colour("--rule"), width: 1 } };
  const times = { ...axis, space: 90, values: (chart, splits) => splits.map(label(chart)) };
  const options = {
    width: box.clientWidth, height: 300, series: series(curve.channels), axes: [times, axis],
    tzDate: (seconds) => uPlot.tzDate(new Date(seconds * 1000), place.dataset.zone),
    hooks: { setSelect: [(chart) => {
      if (!chart.select.width) return;
      load(chart.posToVal(chart.select.left, "x") * 1000,
        chart.posToVal(chart.select.left + chart.select.width, "x") * 1000);
    }] },
    cursor: { drag: { setScale: false } },
    scales: { x: { time: true } },
  };
  const drawing = new uPlot(options, aligned(curve.channels), box);

  async function load(from, until) {
    if (busy) return;
    busy = true;
    const room = Math.max(until - from, 60000);
    const middle = (from + until) / 2;
    try {
      curve = await ask(channels, middle - room / 2, middle + room / 2);
      drawing.setData(aligned(curve.channels), false);
      drawing.setScale("x", { min: curve.from_ms / 1000, max: curve.until_ms / 1000 });
      drawing.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false);
      said.textContent = curve.tier_seconds ? `Rows of ${curve.step_ms / 1000} s.` : "The readings themselves.";
    } catch (error) {
      said.textContent = `That could not be loaded: ${error.message}.`;
    } finally {
      busy = false;
    }
  }

  const middle = () => (curve.from_ms + curve.until_ms) / 2;
  const width = () => curve.until_ms - curve.from_ms;
  return {
    nearer: () => load(middle() - width() / 4, middle() + width() / 4),
    wider: () => load(Math.max(middle() - width(), 0), middle() + width()),
    earlier: () => load(Math.max(curve.from_ms - width() / 2, 0), curve.until_ms - width() / 2),
    later: () => load(curve.from_ms + width() / 2, curve.until_ms + width() / 2),
    whole: () => load(whole.from, whole.until),
    resize: () => drawing.setSize({ width: box.clientWidth, height: 300 }),
  };
}

// The site's local time by 24 hours; the day where one begins or where a tick is a day or more.
function label(chart) {
  const zone = { timeZone: place.dataset.zone };
  const clock = new Intl.DateTimeFormat("en-GB", { ...zone, hour: "2-digit", minute: "2-digit" });
  const day = new Intl.DateTimeFormat("en-GB", { ...zone, day: "numeric", month: "short" });
  const days = (chart.scales.x.max - chart.scales.x.min) > 5 * 86400;
  return (seconds) => {
    const at = new Date(seconds * 1000);
    const text = clock.format(at);
    return days || text === "00:00" ? day.format(at) : text;
  };
}

function button(words, press) {
  const made = document.createElement("button");
  made.type = "button";
  made.className = "plain";
  made.textContent = words;
  made.addEventListener("click", press);
  return made;
}

function prepare(figure) {
  const bar = document.createElement("p");
  bar.className = "no-print zoom-bar";
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  bar.append(button("Zoom", async (event) => {
    event.target.disabled = true;
    const box = document.createElement("div");
    box.className = "zoom";
    figure.append(box);
    try {
      const view = await open(box, figure.dataset.channels, said);
      event.target.remove();
      bar.prepend(button("Nearer", view.nearer), button("Wider", view.wider), button("Earlier", view.earlier),
        button("Later", view.later), button("All", view.whole));
      addEventListener("resize", view.resize);
      said.textContent = "Drag over a part to look closer.";
    } catch (error) {
      box.remove();
      event.target.disabled = false;
      said.textContent = `That could not be loaded: ${error.message}.`;
    }
  }), said);
  figure.append(bar);
}

if (place) place.querySelectorAll("figure[data-channels]").forEach(prepare);
