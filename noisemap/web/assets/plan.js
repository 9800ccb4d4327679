// The scene as a plan: hills, roads by grade, homes.  Distances are plane metres, north up.
import { make } from "./dom.js";
import { along } from "./lengths.js";

export function planView(plan, units, { onHome, onRoad, label }) {
  const L = window.L;
  const box = make("div", { className: "plan", role: "application", tabindex: "0",
    "aria-label": `${label}; arrow keys move it, plus and minus zoom` });
  const key = make("p", { className: "plan-key" },
    make("span", {}, "Road by grade: "),
    plan.grades.map((grade, index) => [make("span", { className: `grade-${index} swatch`, "aria-hidden": "true" }), ` ${grade.label}  `]).flat(),
    make("span", { className: "swatch home-swatch", "aria-hidden": "true" }), " home");
  const wrap = make("div", { className: "plan-wrap" }, box, key);
  box.style.aspectRatio = String(Math.min(2.2, Math.max(0.8, plan.size[0] / plan.size[1])));
  plan.grades.forEach((grade, index) => {
    key.querySelectorAll(`.grade-${index}`).forEach((node) => { node.style.background = grade.colour; });
  });
  let map = null, ring = null, spots = [], gone = false;
  // Leaflet measures its box, so it starts once the box stands in the page.
  const begun = new Promise((done) => { window.requestAnimationFrame(() => { if (!gone) { begin(); done(); } }); });

  function begin() {
    const bounds = [[0, 0], [plan.size[1], plan.size[0]]];
    map = L.map(box, { crs: L.CRS.Simple, minZoom: -7, maxZoom: 4, zoomSnap: 0.25, preferCanvas: true, attributionControl: false, zoomAnimation: false, fadeAnimation: false, markerZoomAnimation: false, inertia: false });
    map.fitBounds(bounds, { animate: false });
    L.imageOverlay(plan.relief, bounds, { alt: "", interactive: false }).addTo(map);
    const lines = L.featureGroup().addTo(map);
    plan.roads.forEach((road) => {
      road.ends.forEach((ends, piece) => {
        const line = L.polyline([[ends[1], ends[0]], [ends[3], ends[2]]], { color: plan.grades[road.class[piece]].colour, weight: 3 + road.class[piece] });
        line.bindTooltip(() => tip(road.name || road.id, `${along(road.from_m[piece], units)}, ${Math.abs(road.grade[piece]).toFixed(1)} %`), { sticky: true });
        if (onRoad) line.on("click", (event) => { L.DomEvent.stop(event); onRoad(road, 0.5 * (road.from_m[piece] + road.to_m[piece])); });
        lines.addLayer(line);
      });
    });
    const homes = plan.homes, small = homes.x.length > 1500;
    homes.x.forEach((x, index) => {
      const mark = L.circleMarker([homes.y[index], x], { radius: small ? 3 : 5, color: "#1a1a1a", weight: 1, fillColor: "#ffffff", fillOpacity: 0.95 });
      mark.bindTooltip(() => tip(homes.label[index] || homes.id[index], `home ${index + 1}`));
      if (onHome) mark.on("click", () => onHome(index));
      mark.addTo(map);
    });
    if (lines.getLayers().length) map.fitBounds(lines.getBounds().pad(0.06), { animate: false });
  }
  function tip(head, text) {
    return make("div", {}, make("strong", {}, head), make("div", {}, text));
  }
  function at(x, y, text) {
    begun.then(() => {
      const flag = L.marker([y, x], { keyboard: false, interactive: false,
        icon: L.divIcon({ html: make("span", {}, text), className: "spot", iconSize: null }) }).addTo(map);
      spots.push(flag);
    });
  }
  return {
    node: wrap,
    choose(index) {
      begun.then(() => {
        if (ring) ring.remove();
        ring = L.circleMarker([plan.homes.y[index], plan.homes.x[index]], { radius: 13, color: "#7a0060", weight: 4, fill: false, interactive: false }).addTo(map);
      });
    },
    flags(marks) {
      begun.then(() => { spots.forEach((flag) => flag.remove()); spots = []; marks.forEach(([x, y, text]) => at(x, y, text)); });
    },
    destroy() { gone = true; if (map) map.stop().remove(); map = null; },
  };
}

export function nearestRoad(plan, index) {
  let best = null;
  plan.roads.forEach((road) => road.x.forEach((x, piece) => {
    const away = Math.hypot(x - plan.homes.x[index], road.y[piece] - plan.homes.y[index]);
    if (!best || away < best.away) best = { road, piece, away };
  }));
  return best;
}

export function placeOn(road, metres) {
  const piece = Math.max(0, road.to_m.findIndex((end) => metres <= end));
  return [road.x[piece], road.y[piece]];
}

export function homeName(plan, index) {
  return `${plan.homes.label[index] || plan.homes.id[index]} (home ${index + 1})`;
}

// Homes whose name, id or number holds a text.
export function findHomes(plan, text) {
  const wanted = text.trim().toLowerCase();
  if (!wanted) return [];
  const found = [];
  plan.homes.id.forEach((id, index) => {
    const words = `${plan.homes.label[index]} ${id}`.toLowerCase();
    if (String(index + 1) === wanted) found.unshift(index);
    else if (words.includes(wanted)) found.push(index);
  });
  return found.slice(0, 8);
}

