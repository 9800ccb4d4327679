// The map with the what-if, the papers for the council, and the search of all zones.
import { fill, make, more, note } from "./dom.js";
import { jobBox } from "./job.js";

const PAPERS = [
  ["report.html", "Report"], ["report.pdf", "Report as PDF"], ["weigh.html", "Two pages for a council"], ["layers.gpkg", "Layers for a GIS"],
];

export function show({ box, key, study, again }) {
  const href = (name) => `/results/${key}/${name.split("/").map(encodeURIComponent).join("/")}`;
  if (!study.results.includes("map.html")) {
    fill(box, make("h1", {}, "Decide"), note("Nothing is computed yet."), make("p", {}, make("a", { className: "button main", href: `#/${key}/compute` }, "Compute ›")));
    return {};
  }
  const papers = PAPERS.filter(([name]) => study.results.includes(name));
  const saved = make("p", { className: "note warn", role: "status", hidden: true });
  const frame = make("iframe", { src: `/map/${key}`, title: "Map with the what-if: homes, road, zones, brakes", className: "map-frame" });
  const job = jobBox({ key, kind: "weigh", start: "Search every zone", hint: "Weighs every contiguous zone and other measures against yours; leaves two pages for a council.",
    finished: (result, fresh) => { fill(found, make("pre", { className: "plain" }, result.text)); if (fresh) again(); } });
  const found = make("div");
  function heard(event) {
    if (event.source !== frame.contentWindow || event.origin !== window.location.origin || !event.data || event.data.noisemap !== "zone-saved") return;
    saved.hidden = false;
    fill(saved, `Zone “${event.data.name}” stands in the study now. `, make("a", { href: `#/${key}/compute` }, "Compute again"), " to have it in the map and the report.");
  }
  window.addEventListener("message", heard);
  fill(box,
    make("h1", { className: "unseen" }, "Decide"),
    study.current ? null : note("The study was changed after this was computed: compute again before you rely on it.", "warn"),
    saved,
    make("p", { className: "bar papers" }, papers.map(([name, title]) => make("a", { className: "button", href: href(name), target: "_blank", rel: "noopener" }, title)),
      make("a", { className: "button", href: href("map.html"), download: "map.html" }, "Save the map as a file")),
    frame,
    more("Every file of the results", make("ul", {}, study.results.map((name) => make("li", {}, make("a", { href: href(name), target: "_blank", rel: "noopener" }, name))))),
    make("h2", {}, "Could another zone do better?"), job, found);
  return { close() { window.removeEventListener("message", heard); job.stop(); } };
}
