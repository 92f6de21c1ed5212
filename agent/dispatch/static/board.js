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

function show_van(told) {
  const list = document.getElementById("vans");
  if (list) {
    const fresh = nodes_of(told.html).querySelector("article");
    const held = [...list.querySelectorAll("article")].find((each) => each.dataset.van === told.van);
    if (held) {
      const content = document.createDocumentFragment();
      content.append(...fresh.childNodes);
      swap(held, content);
    } else {
      document.getElementById("no-vans")?.remove();
      const after = [...list.querySelectorAll("article")].find((each) => each.dataset.van > told.van);
      say_ages(fresh);
      list.insertBefore(fresh, after ?? null);
    }
  }
  document.dispatchEvent(new CustomEvent("van", { detail: told }));
  if (page.dataset.partVan === told.van) refresh_part();
  if (told.says && (list || page.dataset.partVan === told.van)) says.textContent = told.says;
}

// One request at a time; what changes meanwhile is fetched by the next.
const part = { asked: false, again: false };

async function refresh_part() {
  if (part.asked) {
    part.again = true;
    return;
  }
  part.asked = true;
  try {
    const answer = await fetch(page.dataset.part);
    if (answer.ok) swap(document.getElementById("part"), nodes_of(await answer.text()));
  } catch {
    part.again = true;
  }
  setTimeout(() => {
    part.asked = false;
    if (part.again) {
      part.again = false;
      refresh_part();
    }
  }, 1000);
}

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
    on("van", show_van);
    on("broker", (told) => swap(document.getElementById("broker"), nodes_of(told.html)));
    on("reload", () => location.reload());
    addEventListener("pagehide", () => source.close(), { once: true });
  };
  connect();
}

if (page.dataset.live) listen();  // nobody's who has not logged in
setInterval(() => say_ages(), 1000);
