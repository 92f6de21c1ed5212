// The sites' map: outlines as they are, were and would be. On a site's own page its corners can be dragged, added and
// removed; what counts is the form's text, which this writes and the server reads. Every page is complete without this.

const box = document.getElementById("site-map");
const note = document.getElementById("site-map-note");
const L = window.L;

// Leaflet takes text for HTML; a node with text is only ever text.
function text_node(text) {
  const node = document.createElement("span");
  node.textContent = text;
  return node;
}

// Seven decimals are a centimetre; numbers that nobody moved stay as they were typed.
const rounded = (value) => Math.round(value * 1e7) / 1e7;
const said = (value) => (Math.abs(value) < 1e-4 ? value.toFixed(7) : String(value));
const line_of = ([lat, lon]) => `${said(lat)}, ${said(lon)}`;

// -- what is drawn ----------------------------------------------------------------------------------------------------

function shape_of(feature) {
  const options = { className: `outline outline-${feature.look}`, interactive: false, smoothFactor: 0 };
  const { type, coordinates } = feature.geometry;
  if (type === "Point") return L.circle([coordinates[1], coordinates[0]], { ...options, radius: feature.radius_m });
  const rings = type === "Polygon" ? [coordinates] : coordinates;
  return L.polygon(rings.map((polygon) => polygon.map((ring) => ring.map(([lon, lat]) => [lat, lon]))), options);
}

// Names that would lie on another are left out until the map is nearer.
function place_names(labelled) {
  const taken = [];
  let left_out = 0;
  for (const shape of labelled) {
    const element = shape.getTooltip()?.getElement();
    if (!element) continue;
    const at = element.getBoundingClientRect();
    const free = taken.every((other) => at.right <= other.left || other.right <= at.left || at.bottom <= other.top || other.bottom <= at.top);
    element.classList.toggle("left-out", !free);
    if (free) taken.push(at);
    else left_out += 1;
  }
  note.textContent = note.dataset.note + (left_out ? ` ${left_out} name${left_out > 1 ? "s" : ""} left out for want of room: come nearer to read ${left_out > 1 ? "them" : "it"}.` : "");
}

function draw() {
  const told = JSON.parse(box.dataset.drawing);
  box.classList.add("drawn");
  const map = L.map(box, { attributionControl: false, zoomControl: false, zoomSnap: 0.25, maxZoom: 21, fadeAnimation: false, zoomAnimation: false });
  L.control.zoom({ position: "bottomright" }).addTo(map);
  L.control.scale({ imperial: false, maxWidth: 160 }).addTo(map);
  map.setView([0, 0], 2);
  const bounds = L.latLngBounds([]), mattering = L.latLngBounds([]), labelled = [];
  for (const feature of told.features) {
    const shape = shape_of(feature).addTo(map);
    bounds.extend(shape.getBounds());
    if (feature.look !== "other") mattering.extend(shape.getBounds());
    if (feature.label && feature.name) {
      shape.bindTooltip(text_node(feature.name), { permanent: true, direction: "bottom", className: "fence-name", offset: [0, 6] });
      labelled.push(shape);
    }
    if (feature.look === "fence") L.circleMarker(shape.getBounds().getCenter(), { radius: 3, className: "site-dot", interactive: false }).addTo(map);
  }
  for (const where of told.stops) L.circleMarker(where, { radius: 5, className: "stop-dot", interactive: false }).addTo(map);
  const edited = told.edits ? edit(map) : null;
  if (edited?.isValid()) mattering.extend(edited);
  if (!bounds.isValid() && !mattering.isValid()) for (const where of told.stops) bounds.extend(where);
  const shown = mattering.isValid() ? mattering : bounds;
  // Room at the sides for half a name, and for the buttons.
  const side_px = labelled.length ? Math.min(96, box.clientWidth / 5) : 36;
  if (shown.isValid()) map.fitBounds(shown, { paddingTopLeft: [side_px, 36], paddingBottomRight: [Math.max(side_px, 64), 56], maxZoom: 19 });
  place_names(labelled);
  map.on("zoomend moveend resize", () => place_names(labelled));
}

// -- what can be changed ----------------------------------------------------------------------------------------------

// The outline as the form says it: [{ lines: index of its first line, hole, points: [[lat, lon], …] }, …].
function rings_of(text) {
  const rings = [{ head: null, points: [] }];
  for (const line of text.split("\n")) {
    const word = line.trim().toLowerCase();
    if (!word) continue;
    if (word === "hole" || word === "part") {
      rings.push({ head: word, points: [] });
      continue;
    }
    const numbers = word.split(/[\s,;]+/).filter((each) => each).map(Number);
    if (numbers.length !== 2 || !numbers.every(Number.isFinite) || Math.abs(numbers[0]) > 90 || Math.abs(numbers[1]) > 180) return null;
    rings.at(-1).points.push(numbers);
  }
  return rings;
}

const text_of = (rings) => rings.flatMap((ring) => [...(ring.head ? [ring.head] : []), ...ring.points.map(line_of)]).join("\n");

function edit(map) {
  const form = document.getElementById("site-form");
  const fields = { outline: form.outline, centre: form.centre, radius: form.radius_m };
  const told = document.getElementById("told"), add = document.getElementById("add");
  const remove = document.getElementById("remove"), undo = document.getElementById("undo");
  const layers = L.layerGroup().addTo(map);
  const before = [];
  let rings = [{ head: null, points: [] }], chosen = null, shape = null;
  document.getElementById("tools").hidden = false;

  const is_circle = () => form.kind.value === "circle";
  const circle = () => {
    const ring = rings_of(fields.centre.value)?.[0].points[0];
    return ring ? { at: ring, radius: Math.max(Number(fields.radius.value) || 0, 0) } : null;
  };
  const state = () => ({ outline: fields.outline.value, centre: fields.centre.value, radius: fields.radius.value });

  function remember() {
    before.push(state());
    if (before.length > 100) before.shift();
  }

  function outline() {
    const polygons = [];
    for (const ring of rings) {
      if (ring.head !== "hole") polygons.push([]);
      polygons.at(-1)?.push(ring.points);
    }
    return polygons;
  }

  function corner(where, label, { round = false, at = null, moved, done }) {
    const icon = L.divIcon({ className: `corner${round ? " round" : ""}${at && is_chosen(at) ? " chosen" : ""}`, html: text_node(""), iconSize: [44, 44] });
    const mark = L.marker(where, { icon, draggable: true, autoPan: true, keyboard: true, title: label, alt: label, zIndexOffset: 500 }).addTo(layers);
    mark.on("dragstart", remember);
    mark.on("drag", () => moved(mark.getLatLng()));
    mark.on("dragend", () => done());
    const element = mark.getElement();
    element.setAttribute("aria-label", label);
    element.addEventListener("keydown", (event) => {
      const steps = { ArrowUp: [1, 0], ArrowDown: [-1, 0], ArrowRight: [0, 1], ArrowLeft: [0, -1] }[event.key];
      if (steps) {
        // A metre, or ten with Shift.
        const metres = event.shiftKey ? 10 : 1, here = mark.getLatLng();
        const lat = here.lat + (steps[0] * metres) / 111320;
        const lon = here.lng + (steps[1] * metres) / (111320 * Math.max(Math.cos((here.lat * Math.PI) / 180), 0.01));
        remember();
        mark.setLatLng([lat, lon]);
        moved(mark.getLatLng());
        done(true);
      } else if (event.key === "Delete" && at) {
        choose(at);
        take_away();
      } else return;
      event.preventDefault();
      event.stopPropagation();
    });
    return mark;
  }

  const is_chosen = (at) => chosen && chosen.ring === at.ring && chosen.point === at.point;

  function choose(at) {
    chosen = at;
    const where = rings[at.ring].points[at.point];
    told.textContent = `Corner ${at.point + 1} of ${rings[at.ring].points.length}: ${line_of(where)}`;
    for (const element of box.querySelectorAll(".corner")) element.classList.remove("chosen");
    marks.get(`${at.ring}/${at.point}`)?.getElement().classList.add("chosen");
  }

  const marks = new Map();

  function show(focus = null) {
    layers.clearLayers();
    marks.clear();
    shape = null;
    if (is_circle()) show_circle(focus);
    else show_outline(focus);
    undo.disabled = !before.length;
    add.hidden = is_circle() && circle() !== null;
    remove.hidden = is_circle();
  }

  function show_circle(focus) {
    const now = circle();
    if (!now) return;
    shape = L.circle(now.at, { radius: now.radius, className: "outline outline-edited", interactive: false }).addTo(layers);
    const east = () => L.latLng(now.at[0], now.at[1] + now.radius / (111320 * Math.max(Math.cos((now.at[0] * Math.PI) / 180), 0.01)));
    const rim = corner(east(), "Rim of the circle", {
      moved: (where) => {
        now.radius = Math.max(Math.round(map.distance(now.at, where)), 1);
        shape.setRadius(now.radius);
        fields.radius.value = String(now.radius);
      },
      done: (again) => show(again ? "rim" : null),
    });
    const middle = corner(now.at, "Centre of the circle", {
      round: true,
      moved: (where) => {
        now.at = [rounded(where.lat), rounded(where.lng)];
        shape.setLatLng(now.at);
        rim.setLatLng(east());
        fields.centre.value = line_of(now.at);
      },
      done: (again) => show(again ? "centre" : null),
    });
    if (focus) (focus === "rim" ? rim : middle).getElement().focus();
    told.textContent = `Circle around ${line_of(now.at)}, radius ${now.radius} m`;
  }

  function show_outline(focus) {
    shape = L.polygon(outline(), { className: "outline outline-edited", interactive: false, smoothFactor: 0 }).addTo(layers);
    const many = rings.reduce((count, ring) => count + ring.points.length, 0) > 150;
    rings.forEach((ring, r) => ring.points.forEach((point, p) => {
      const at = { ring: r, point: p };
      const mark = corner(point, `Corner ${p + 1}${r ? ` of ring ${r + 1}` : ""}`, {
        at,
        moved: (where) => {
          ring.points[p] = [rounded(where.lat), rounded(where.lng)];
          shape.setLatLngs(outline());
          write();
          choose(at);
        },
        done: (again) => show(again ? at : null),
      });
      mark.on("click", () => choose(at));
      mark.getElement().addEventListener("focus", () => choose(at));
      marks.set(`${r}/${p}`, mark);
      if (ring.points.length < 3 || many) return;
      const next = ring.points[(p + 1) % ring.points.length];
      const middle = [(point[0] + next[0]) / 2, (point[1] + next[1]) / 2];
      const label = `Add a corner after corner ${p + 1}${r ? ` of ring ${r + 1}` : ""}`;
      const icon = L.divIcon({ className: "between-corners", html: text_node("+"), iconSize: [44, 44] });
      const plus = L.marker(middle, { icon, title: label, alt: label, keyboard: true, zIndexOffset: 100 }).addTo(layers);
      plus.getElement().setAttribute("aria-label", label);
      const insert = () => {
        remember();
        ring.points.splice(p + 1, 0, middle.map(rounded));
        write();
        show({ ring: r, point: p + 1 });
      };
      plus.on("click", insert);
      plus.getElement().addEventListener("keydown", (event) => event.key === "Enter" && insert());
    }));
    if (focus?.ring !== undefined) {
      marks.get(`${focus.ring}/${focus.point}`)?.getElement().focus();
      choose(focus);
    } else if (chosen && !rings[chosen.ring]?.points[chosen.point]) chosen = null;
  }

  const write = () => { fields.outline.value = text_of(rings); };

  function take_away() {
    if (!chosen) {
      told.textContent = "Choose a corner first: press it, or go to it by Tab.";
      return;
    }
    remember();
    const { ring, point } = chosen;
    rings[ring].points.splice(point, 1);
    if (!rings[ring].points.length && rings.length > 1) rings.splice(ring, 1);
    write();
    chosen = null;
    const left = rings[ring]?.points.length;
    show(left ? { ring, point: Math.min(point, left - 1) } : null);
  }

  function read() {
    const fresh = rings_of(fields.outline.value);
    if (fresh) rings = fresh;
    show();
  }

  map.on("click", ({ latlng }) => {
    if (add.getAttribute("aria-pressed") !== "true") return;
    const where = [rounded(latlng.lat), rounded(latlng.lng)];
    remember();
    if (is_circle()) {
      if (!circle()) {
        fields.centre.value = line_of(where);
        fields.radius.value ||= "60";
      }
      show();
      return;
    }
    rings.at(-1).points.push(where);
    write();
    show();
    told.textContent = `Corner ${rings.at(-1).points.length}: ${line_of(where)}`;
  });
  add.addEventListener("click", () => add.setAttribute("aria-pressed", String(add.getAttribute("aria-pressed") !== "true")));
  remove.addEventListener("click", take_away);
  undo.addEventListener("click", () => {
    const last = before.pop();
    if (!last) return;
    [fields.outline.value, fields.centre.value, fields.radius.value] = [last.outline, last.centre, last.radius];
    read();
  });
  for (const each of [...Object.values(fields), ...form.kind]) each.addEventListener("input", read);
  read();
  if (!rings[0].points.length && !circle()) add.setAttribute("aria-pressed", "true");
  return shape?.getBounds();
}

if (box) draw();
document.getElementById("problems")?.focus();

// What the vans hold, kept true: board.js tells of every van that said something.
const held = document.getElementById("holdings");
const asked = { now: false, again: false };

async function look_again() {
  if (asked.now) {
    asked.again = true;
    return;
  }
  asked.now = true;
  try {
    const answer = await fetch("/sites?part=1");
    if (answer.ok) {
      const template = document.createElement("template");
      template.innerHTML = await answer.text();
      held.replaceChildren(template.content);
    }
  } catch {
    // The page's head says that the stream is lost; the next word of a van asks again.
  }
  setTimeout(() => {
    asked.now = false;
    if (asked.again) {
      asked.again = false;
      look_again();
    }
  }, 1000);
}

if (held) document.addEventListener("van", look_again);
