// Newest readings, as they come. Without this script the page shows those of its making.
const HALF = 28;

function age(ms) {
  const s = Math.floor(ms / 1000), m = Math.floor(s / 60), h = Math.floor(s / 3600);
  if (s < 1) return "just now";
  if (s < 120) return `${s} s ago`;
  if (m < 120) return `${m} min ago`;
  if (h < 48) return `${h} h ${String(m % 60).padStart(2, "0")} min ago`;
  return `${Math.floor(s / 86400)} days ago`;
}

function put(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

function watch(part) {
  const base = Number(part.dataset.now), scale = Number(part.dataset.scale) || 30;
  let offset = base - Date.now(), source = null, lost = null, over = false;
  const now = () => Date.now() + offset;
  const note = part.querySelector(".no-stream");
  const find = (name, value) => part.querySelector(`[data-${name}="${CSS.escape(value)}"]`);

  function count() {
    for (const one of part.querySelectorAll(".age")) {
      const at = Number(one.dataset.at), gone = now() - at, late = !at || gone > Number(one.dataset.late);
      put(one, at ? (late ? `not heard since ${one.dataset.since}` : age(gone)) : "never heard");
      one.closest("tr")?.classList.toggle("late", late);
    }
    const ages = [...part.querySelectorAll(".age")];
    const newest = ages.reduce((a, b) => (Number(a?.dataset.at ?? 0) > Number(b.dataset.at) ? a : b), null);
    if (newest && Number(newest.dataset.at) && now() - Number(newest.dataset.at) > Number(newest.dataset.late))
      put(part.querySelector("[data-state]"), `Not heard since ${newest.dataset.since}`);
  }

  function block(number, [volts, text, value]) {
    const box = find("block", number);
    if (!box) return;
    put(box.querySelector(".volts"), volts);
    put(box.querySelector(".apart"), text);
    const length = Math.round(Math.max(-1, Math.min(1, value / scale)) * HALF), bar = box.querySelector("rect");
    bar.setAttribute("x", 30 + Math.min(length, 0));
    bar.setAttribute("width", Math.abs(length));
  }

  function take(event) {
    const told = JSON.parse(event.data);
    offset = told.now - Date.now();
    put(part.querySelector("[data-state]"), told.state);
    for (const [key, [text, at, late, since]] of Object.entries(told.values)) {
      const cell = find("live", key);
      put(cell, text);
      const stamp = cell?.parentElement.querySelector(".age");
      if (stamp) Object.assign(stamp.dataset, { at, late, since });
    }
    for (const box of part.querySelectorAll("[data-block]"))
      block(box.dataset.block, told.boxes[box.dataset.block] ?? ["-", "", 0]);
    for (const [number, amps] of Object.entries(told.strings)) put(find("string", number), amps);
    count();
  }

  function link(words) {
    put(note, words);
    note.hidden = !words;
  }

  function open() {
    if (source || over || !part.dataset.stream) return;
    source = new EventSource(part.dataset.stream);
    source.onmessage = take;
    source.onopen = () => { lost = null; link(""); };
    source.addEventListener("gone", () => { over = true; close(); link("Readings come no more: sign in again."); });
    source.onerror = () => {
      lost ??= new Date();
      link(`No connection to the logger since ${lost.toTimeString().slice(0, 5)} (clock of this device).`);
      if (source.readyState === EventSource.CLOSED) { close(); setTimeout(open, 10000); }
    };
  }

  function close() {
    source?.close();
    source = null;
  }

  document.addEventListener("visibilitychange", () => (document.hidden ? close() : open()));
  addEventListener("pagehide", close);
  addEventListener("pageshow", () => { if (!document.hidden) open(); });
  setInterval(count, 1000);
  if (!document.hidden) open();
}

document.querySelectorAll("[data-now]").forEach(watch);
