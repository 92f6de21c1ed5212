// The map beside the list: fences and vans, without tiles. Draws what /api/map holds; news of vans come from board.js.

const box = document.getElementById("map");
const L = window.L;
const marks = new Map();

// Leaflet takes text for HTML; a node with text is only ever text.
function text_node(text) {
  const node = document.createElement("span");
  node.textContent = text;
  node.title = text;
  return node;
}

function mark(map, van, position) {
  const held = marks.get(van);
  const where = [position.lat, position.lon];
  if (held) {
    held.setLatLng(where);
    return;
  }
  const icon = L.divIcon({ className: "van-mark", html: text_node(van), iconSize: [84, 44] });
  const fresh = L.marker(where, { icon, title: van, keyboard: true });
  fresh.on("click", () => location.assign(`/van/${encodeURIComponent(van)}`));
  fresh.on("keypress", (event) => event.originalEvent.key === "Enter" && location.assign(`/van/${encodeURIComponent(van)}`));
  fresh.addTo(map);
  marks.set(van, fresh);
}

// Where a site's name may stand, by preference; one that fits nowhere is left out until the map is nearer.
const spots = [["bottom", [0, 6]], ["top", [0, -6]], ["right", [8, 0]], ["left", [-8, 0]]];

function is_apart(one, other) {
  return one.right <= other.left || other.right <= one.left || one.bottom <= other.top || other.bottom <= one.top;
}

function place_names(fences) {
  const room = box.getBoundingClientRect();
  const taken = [document.querySelector(".leaflet-control-zoom"), document.querySelector(".leaflet-control-scale")]
    .concat([...document.querySelectorAll(".site-dot")])
    .filter((each) => each).map((each) => each.getBoundingClientRect());
  let left_out = 0;
  for (const fence of fences.getLayers()) {
    const name = fence.getTooltip();
    const fits = ([direction, offset]) => {
      name.options.direction = direction;
      name.options.offset = L.point(offset);
      name.update();
      const at = name.getElement().getBoundingClientRect();
      const inside = at.left >= room.left && at.right <= room.right && at.top >= room.top && at.bottom <= room.bottom;
      if (!inside || !taken.every((other) => is_apart(at, other))) return false;
      taken.push(at);
      return true;
    };
    const placed = spots.some(fits);
    name.getElement().classList.toggle("left-out", !placed);
    left_out += placed ? 0 : 1;
  }
  const names = left_out ? ` ${left_out} site${left_out > 1 ? "s" : ""} without a name for want of room: come nearer to read ${left_out > 1 ? "them" : "it"}.` : "";
  document.getElementById("map-note").textContent = `Sites and vans; no map tiles are fetched. The list holds the vans in words.${names}`;
}

async function draw() {
  const answer = await fetch("/api/map");
  if (!answer.ok) throw new Error(`the map's data did not come: ${answer.status}`);
  const told = await answer.json();
  box.classList.add("drawn");
  const map = L.map(box, { attributionControl: false, zoomControl: false, zoomSnap: 0.25, maxZoom: 19, fadeAnimation: false });
  L.control.zoom({ position: "bottomright" }).addTo(map);
  L.control.scale({ imperial: false, maxWidth: 160 }).addTo(map);
  map.getPane("tooltipPane").style.zIndex = "550"; // sites' names lie under the vans
  map.setView([0, 0], 2);
  const fences = L.geoJSON(told.sites, {
    interactive: false,
    style: { className: "fence" },
    pointToLayer: (feature, where) => L.circle(where, { radius: feature.properties.radius_m, className: "fence", interactive: false }),
  }).addTo(map);
  for (const fence of fences.getLayers()) {
    // A fence may be smaller than a pixel where the whole region is in view.
    L.circleMarker(fence.getBounds ? fence.getBounds().getCenter() : fence.getLatLng(), { radius: 4, className: "site-dot", interactive: false }).addTo(map);
    fence.bindTooltip(text_node(fence.feature.properties.name), { permanent: true, direction: "bottom", className: "fence-name", offset: [0, 6] });
  }
  for (const [van, position] of Object.entries(told.vans)) mark(map, van, position);
  const bounds = L.latLngBounds([]);
  if (fences.getLayers().length) bounds.extend(fences.getBounds());
  for (const each of marks.values()) bounds.extend(each.getLatLng());
  // Room at the sides for half a label.
  const side_px = Math.min(88, box.clientWidth / 8);
  if (bounds.isValid()) map.fitBounds(bounds, { padding: [side_px, 48], maxZoom: 17 });
  document.addEventListener("van", (event) => event.detail.position && mark(map, event.detail.van, event.detail.position));
  place_names(fences);
  map.on("zoomend moveend resize", () => place_names(fences));
}

draw();
