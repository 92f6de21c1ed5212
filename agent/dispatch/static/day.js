// The day's map: fences, track, stops numbered as in the strip; and, today, the page kept true. Complete without this.
import { nodes_of, swap } from "./board.js";

const day = document.getElementById("day");
const L = window.L;
const follow_ms = 5000;

function text_node(text) {
  const node = document.createElement("span");
  node.textContent = text;
  return node;
}

// A way that is known is one line; where it is not known a dotted one joins what is.
function lines_of(track) {
  const known = [], unknown = [];
  for (const [at, point] of track.entries()) {
    const here = [point.lat, point.lon];
    if (at === 0) known.push([here]);
    else if (point.apart) {
      unknown.push([known.at(-1).at(-1), here]);
      known.push([here]);
    } else known.at(-1).push(here);
  }
  return { known: known.filter((line) => line.length > 1), unknown };
}

function draw_stops(map, stops) {
  const taken = [];
  for (const stop of stops) {
    if (!stop.spot) continue;
    const at = map.latLngToLayerPoint([stop.spot.lat, stop.spot.lon]);
    const near = taken.find((other) => other.at.distanceTo(at) < 30);
    // Several stays at one place share a mark, as "1, 4".
    if (near) {
      near.numbers.push(stop.number);
      near.mark.getElement().querySelector("span").textContent = near.numbers.join(", ");
      near.mark.getElement().title += `; stop ${stop.number}: ${stop.place}`;
      near.mark.getElement().setAttribute("aria-label", near.mark.getElement().title);
      continue;
    }
    const icon = L.divIcon({ className: `stop-mark by-${stop.spot.by}`, html: text_node(String(stop.number)), iconSize: [44, 44] });
    const mark = L.marker([stop.spot.lat, stop.spot.lon], { icon, keyboard: true, title: `Stop ${stop.number}: ${stop.place}` });
    const go = () => {
      const head = document.getElementById(`stop-${stop.number}`);
      head.tabIndex = -1;
      head.scrollIntoView({ block: "start" });
      head.focus({ preventScroll: true });
    };
    mark.on("click", go);
    mark.on("keypress", (event) => event.originalEvent.key === "Enter" && go());
    mark.addTo(map);
    mark.getElement().setAttribute("aria-label", mark.getElement().title);
    taken.push({ at, mark, numbers: [stop.number] });
  }
}

const held = { map: null, layer: null, sites: null };

async function told_by(address) {
  const answer = await fetch(address);
  if (!answer.ok) throw new Error(`${address} did not come: ${answer.status}`);
  return answer.json();
}

async function draw() {
  const box = document.getElementById("day-map");
  const [told, around] = await Promise.all([told_by(day.dataset.day), held.sites ?? told_by("/api/map")]);
  held.sites = around;
  const seen = held.map ? [held.map.getCenter(), held.map.getZoom()] : null;
  held.map?.remove();
  box.classList.add("drawn");
  const map = L.map(box, { attributionControl: false, zoomControl: false, zoomSnap: 0.25, maxZoom: 19, fadeAnimation: false, zoomAnimation: false });
  held.map = map;
  L.control.zoom({ position: "bottomright" }).addTo(map);
  L.control.scale({ imperial: false, maxWidth: 160 }).addTo(map);
  const stops = told.stops.filter((stop) => stop.spot).map((stop) => [stop.spot.lat, stop.spot.lon]);
  const bounds = L.latLngBounds([...told.track.map((point) => [point.lat, point.lon]), ...stops]);
  if (seen) map.setView(...seen);
  else if (bounds.isValid()) map.fitBounds(bounds, { padding: [40, 48], maxZoom: 16 });
  else map.setView([0, 0], 2);
  L.geoJSON(around.sites, {
    interactive: false,
    style: { className: "fence" },
    pointToLayer: (feature, where) => L.circle(where, { radius: feature.properties.radius_m, className: "fence", interactive: false }),
  }).addTo(map);
  const { known, unknown } = lines_of(told.track);
  for (const line of known) L.polyline(line, { className: "track", interactive: false }).addTo(map);
  for (const line of unknown) L.polyline(line, { className: "track-unknown", interactive: false }).addTo(map);
  draw_stops(map, told.stops);
  const unplaced = told.stops.length - stops.length;
  document.getElementById("day-map-note").textContent = "Stops numbered as in the strip; a dashed number stands in its site's outline, for want of a position. "
    + (unknown.length ? "Dotted where the way is not known. " : "") + (unplaced ? `${unplaced} stop${unplaced > 1 ? "s" : ""} without a known place. ` : "")
    + "No map tiles are fetched.";
}

// Only what is of today changes by itself; the map keeps where the reader had moved it.
async function refresh() {
  const answer = await fetch(`${location.pathname}?part=1`);
  if (!answer.ok) return;
  const fresh = nodes_of(await answer.text());
  for (const id of ["strip", "rows", "stops-section", "legs-section"]) {
    const content = document.createDocumentFragment();
    content.append(...fresh.getElementById(id).childNodes);
    swap(document.getElementById(id), content);
  }
  await draw();
}

let waiting = false;
if ("follows" in day.dataset) {
  document.addEventListener("van", (event) => {
    if (event.detail.van !== day.dataset.van || waiting) return;
    waiting = true;
    setTimeout(() => {
      waiting = false;
      refresh();
    }, follow_ms);
  });
}

draw();
