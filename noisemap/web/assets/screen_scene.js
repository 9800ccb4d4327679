// What was understood of the files, drawn and listed, and everything that is wrong.
import { fill, list, make, more, note, table, faultBox } from "./dom.js";
import { jobBox } from "./job.js";
import { along, height, length } from "./lengths.js";
import { planView } from "./plan.js";

export function show({ box, key, study }) {
  const out = make("div");
  let view = null;
  const job = jobBox({ key, kind: "check", start: "Check the scene", again: "Check again",
    hint: "Reads every file and computes no levels. Takes seconds for a town, a minute for a county.", finished: draw });
  fill(box, make("h1", {}, "Check the scene"), job, out);

  function draw(result) {
    const { found, problems, plan, sheet } = result;
    const units = found.units || study.values.units || "us";
    if (view) view.destroy();
    view = plan ? planView(plan, units, { label: "Plan of the scene" }) : null;
    const lines = problems.map((one) => one.text);
    fill(out,
      lines.length
        ? faultBox(`${lines.length} ${lines.length === 1 ? "thing is" : "things are"} to be put right`, lines.flatMap((text) => text.split("\n")))
        : note("✓ Nothing is wrong.", "good"),
      lines.length ? make("p", {}, make("a", { href: `#/${key}/setup` }, "Back to the settings")) : null,
      plan ? facts(found, units) : null,
      view ? view.node : null,
      plan ? roads(found, units) : null,
      ["warnings", "assumptions", "repairs"].filter((name) => (found[name] || []).length).map((name) =>
        more(`${TITLES[name]} (${found[name].length})`, list(found[name]))),
      sheet ? make("p", {}, make("a", { href: `/results/${key}/${sheet}`, target: "_blank", rel: "noopener" }, "Open the scene sheet (to print)")) : null,
      plan && !lines.length ? make("p", { className: "bar" }, make("a", { className: "button main", href: `#/${key}/compute` }, "Compute ›")) : null);
  }
  return { close() { job.stop(); if (view) view.destroy(); } };
}

const TITLES = { warnings: "Look at these before you trust a figure", assumptions: "What was assumed", repairs: "What was repaired in the files" };

function facts(found, units) {
  const rows = [
    ["Homes", found.homes.toLocaleString("en")],
    ["People", Math.round(found.people).toLocaleString("en")],
    ["Terrain cells", units === "us" ? `${Math.round(found.terrain_cell_m / 0.3048)} ft` : `${found.terrain_cell_m} m`],
    ["Sound paths", found.paths.toLocaleString("en")],
    ["Memory", `${found.memory_gb.toFixed(1)} GB`],
    ["Computed in", found.crs],
  ];
  return make("dl", { className: "facts" }, rows.map(([name, value]) => make("div", {}, make("dt", {}, name), make("dd", {}, value))));
}

function roads(found, units) {
  const steep = (row) => `${(100 * row.mean_grade).toFixed(1)} %`;
  return [
    table("Roads that carry the trucks (distances run from the upper end)", ["Road", "Id", "Length", "From", "Down to", "Vehicles a day", "Heavy"],
      found.roads.map((road) => [road.name || "(no name)", road.id, length(road.length_m, units), height(road.upper_m, units), height(road.lower_m, units),
        road.vehicles_per_day === undefined ? "–" : Math.round(road.vehicles_per_day).toLocaleString("en"),
        road.heavy_per_day === undefined ? "–" : Math.round(road.heavy_per_day).toLocaleString("en")])),
    found.descents.length
      ? table("Long descents", ["Road", "From", "To", "Falls by", "Mean grade"],
          found.descents.map((row) => [row.road, along(row.from_m, units), along(row.to_m, units), height(row.drop_m, units), steep(row)]))
      : note("No descent of 4 % over 1 km."),
  ];
}
