// Keeps an open page true: one event stream, ages that grow, parts swapped for freshly rendered ones.
// Every page is complete without this.

const page = document.body;
const stream_note = document.getElementById("stream");
const says = document.getElementById("says");
const retry_first_ms = 2000, retry_longest_ms = 30000;

// The dispatch's own clock, which may run at another speed than this computer's: its last word, and how fast it goes.
const clock = { told_s: Number(page.dataset.now), at_ms: performance.now(), speed: 1 };

const now_s = () => clock.told_s + ((performance.now() - clock.at_ms) / 1000) * clock.speed;

function set_clock(told_s) {
  const at_ms = performance.now();
  const elapsed_s = (at_ms - clock.at_ms) / 1000;
  if (elapsed_s > 0.5) clock.speed = Math.max((told_s - clock.told_s) / elapsed_s, 0);
  clock.told_s = told_s;
  clock.at_ms = at_ms;
  say_ages();
}

// As agent.dispatch.words.age says it.
export function age(seconds) {
  const whole = Math.max(Math.trunc(seconds), 0);
  if (whole < 120) return `${whole} s`;
  if (whole < 3600) return `${Math.trunc(whole / 60)} min`;
  if (whole < 86400) return `${Math.trunc(whole / 3600)} h ${Math.trunc((whole % 3600) / 60)} min`;
  const days = Math.trunc(whole / 86400);
  return `${days} day${days > 1 ? "s" : ""}`;
}

function say_ages(root = document) {
  if (paused.since !== null) return;
  const now = now_s();
  for (const each of root.querySelectorAll("[data-since]")) {
    const text = age(now - Number(each.dataset.since));
    if (each.textContent !== text) each.textContent = text;
  }
  const shown = document.querySelector("[data-clock]");
  if (shown) shown.textContent = new Date((now + Number(page.dataset.offset)) * 1000).toISOString().slice(11, 16) + " " + page.dataset.zone;
}

// What the server rendered, as nodes. Its text is escaped there, and the page's policy lets no inline script run.
export function nodes_of(html) {
  const template = document.createElement("template");
  template.innerHTML = html;
  return template.content;
}

// What the reader opened or closed; the rest is as the server says, which opens the newest.
const chosen = new Map();
document.addEventListener("click", (event) => {
  const details = event.target.closest?.("summary")?.parentElement;
  if (details?.id) chosen.set(details.id, !details.open);
});

// Swap an element's content without losing the reader's place: what was opened stays open, the focus stays where it was.
export function swap(element, content) {
  const focused = element.contains(document.activeElement) ? document.activeElement : null;
  const place = focused && (focused.id || focused.closest("[id]")?.id);
  const address = focused?.getAttribute("href");
  for (const each of content.querySelectorAll("details[id]")) if (chosen.has(each.id)) each.open = chosen.get(each.id);
  say_ages(content);
  element.replaceChildren(content);
  if (!focused) return;
  const again = (address && [...element.querySelectorAll("a")].find((each) => each.getAttribute("href") === address))
    || (place && element.ownerDocument.getElementById(place)?.querySelector("summary"));
  again?.focus({ preventScroll: true });
}

// Whether a fresh line is among those that the page was asked to show.
function is_asked_for(row, list) {
  const { place, show, find } = list.dataset;
  if (place && row.dataset.place !== place) return false;
  if (show && Number(row.dataset.trouble) < (show === "urgent" ? 2 : 1)) return false;
  const text = row.textContent.toLowerCase();
  return find.toLowerCase().split(/\s+/).every((word) => text.includes(word));
}

// A row changes in place and never moves; one that is new to the page comes last, until the reader sorts again.
let added = 0;
function show_row(told) {
  const list = document.getElementById("vans");
  if (!list) {
    if (document.getElementById("no-vans")) document.getElementById("outside").textContent = "Vans have been heard since: sort again to see them.";
    return;
  }
  const fresh = nodes_of(told.html).querySelector("tr");
  const body = list.tBodies[0];
  const held = [...body.rows].find((each) => each.dataset.van === told.van);
  if (held) {
    const content = document.createDocumentFragment();
    content.append(...fresh.childNodes);
    held.className = fresh.className;
    Object.assign(held.dataset, fresh.dataset);
    swap(held, content);
  } else if (is_asked_for(fresh, list)) {
    say_ages(fresh);
    body.append(fresh);
    added += 1;
    document.getElementById("outside").textContent = `${added} van${added > 1 ? "s" : ""} more at the end of the list.`;
  }
}

function show_van(told) {
  const list = document.querySelector(".fleet");
  if (list) show_row(told);
  document.dispatchEvent(new CustomEvent("van", { detail: told }));
  if (page.dataset.partVan === told.van || page.dataset.partEvery) refresh_part();
  if (told.says && (list || page.dataset.partVan === told.van)) says.textContent = told.says;
}

// While updates are paused nothing on the page changes, ages included; the last of each van's news is kept for later.
const paused = { since: null, waiting: new Map(), count: 0, reload: false };
const pause_button = document.getElementById("pause");

function is_held(kind, told) {
  if (paused.since === null) return false;
  if (kind === "reload") paused.reload = true;
  else paused.waiting.set(`${kind} ${told.van ?? ""}`, [kind, told]);
  paused.count += 1;
  say_paused();
  return true;
}

function say_paused() {
  const waits = paused.reload ? "more changes wait than are kept; this page is then read anew" : `${paused.count} change${paused.count === 1 ? " waits" : "s wait"}`;
  const text = `Updates paused at ${paused.since}; what you see, ages too, is from then; ${waits}.`;
  const note = document.getElementById("paused");
  note.textContent = text;
  note.hidden = false;
}

function pause_or_go_on() {
  if (paused.since === null) {
    paused.since = document.querySelector("[data-clock]")?.textContent ?? "";
    pause_button.setAttribute("aria-pressed", "true");
    say_paused();
    return;
  }
  if (paused.reload) {
    location.reload();
    return;
  }
  const waiting = [...paused.waiting.values()];
  Object.assign(paused, { since: null, count: 0 });
  paused.waiting.clear();
  pause_button.setAttribute("aria-pressed", "false");
  document.getElementById("paused").hidden = true;
  for (const [kind, told] of waiting) act_on[kind](told);
  if (part.again) refresh_part();
  say_ages();
}

// One request at a time; what changes meanwhile is fetched by the next.
const part = { asked: false, again: false };
const part_every_ms = Number(page.dataset.partEvery ?? 1) * 1000;

async function refresh_part() {
  if (part.asked || paused.since !== null) {
    part.again = true;
    return;
  }
  part.asked = true;
  try {
    const answer = await fetch(page.dataset.part);
    const text = await answer.text();
    if (paused.since !== null) part.again = true;
    else if (answer.ok) swap(document.getElementById("part"), nodes_of(text));
  } catch {
    part.again = true;
  }
  setTimeout(() => {
    part.asked = false;
    if (part.again && paused.since === null) {
      part.again = false;
      refresh_part();
    }
  }, part_every_ms);
}

const act_on = {
  van: show_van,
  broker: (told) => swap(document.getElementById("broker"), nodes_of(told.html)),
  reload: () => location.reload(),
};

function listen() {
  let retry_ms = retry_first_ms;
  let last_id = null;
  const connect = () => {
    const address = new URL(page.dataset.live, location.href);
    if (last_id) address.searchParams.set("after", last_id);
    const source = new EventSource(address);
    const on = (kind, act) => source.addEventListener(kind, (event) => {
      if (event.lastEventId) last_id = event.lastEventId;
      act(JSON.parse(event.data));
    });
    source.onopen = () => {
      retry_ms = retry_first_ms;
      if (!stream_note.hidden) says.textContent = "Live updates are back; what changed meanwhile follows.";
      stream_note.hidden = true;
      stream_note.textContent = "";
    };
    source.onerror = () => {
      const time = new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
      if (stream_note.hidden) {
        stream_note.textContent = `Live updates stopped at ${time}; what you see is from then. They come back by themselves.`;
        stream_note.hidden = false;
      }
      // A refusal ends an EventSource for good, so begin a new one; otherwise it tries again by itself.
      if (source.readyState === EventSource.CLOSED) {
        setTimeout(connect, retry_ms);
        retry_ms = Math.min(retry_ms * 2, retry_longest_ms);
      }
    };
    on("tick", set_clock);
    for (const kind of Object.keys(act_on)) on(kind, (told) => is_held(kind, told ?? {}) || act_on[kind](told));
    addEventListener("pagehide", () => source.close(), { once: true });
  };
  connect();
}

// The access key of the search field, which some browsers want Shift or Control for.
document.addEventListener("keydown", (event) => {
  if (!event.altKey || event.ctrlKey || event.metaKey || event.code !== "KeyS") return;
  const field = document.getElementById("q");
  if (!field) return;
  event.preventDefault();
  field.focus();
  field.select();
});

if (page.dataset.live) { // nobody's who has not logged in
  pause_button.hidden = false;
  pause_button.addEventListener("click", pause_or_go_on);
  listen();
}
setInterval(() => say_ages(), 1000);
