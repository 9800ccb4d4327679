// Routes between two places, and quiet descents with their strip charts.
import { button, choice, fill, labelled, make, note } from "./dom.js";
import { jobBox } from "./job.js";
import { length } from "./lengths.js";
import { homeName, placeOn, planView } from "./plan.js";
import { planOf } from "./scene_data.js";

const EXHAUSTS = [["after_treatment", "after-treatment"], ["muffled", "muffled"], ["worn", "worn muffler"], ["straight", "no muffler"]];

export async function show({ box, key, study, page }) {
  const units = study.values.units || "us";
  const out = make("div");
  fill(box, make("h1", {}, "Routes and descents"), note(page.cautions.routes[0], "warn"), out);
  const plan = await planOf(key);
  if (!plan) {
    const first = jobBox({ key, kind: "check", start: "Read the scene", hint: "The scene is read once before places can be chosen.", finished: (result, fresh) => { if (fresh) show({ box, key, study, page }); } });
    fill(out, first);
    return { close: first.stop };
  }
  const ends = [place("From"), place("To")];
  let active = 0;
  function place(title) {
    const input = make("input", { type: "text", maxlength: "200", autocomplete: "off", on: { focus: () => { active = title === "From" ? 0 : 1; }, input: () => { delete end.spot; flags(); } } });
    const end = { title, input };
    return end;
  }
  function flags() {
    view.flags(ends.filter((end) => end.spot).map((end) => [...end.spot, end.title]));
  }
  function take(text, spot) {
    ends[active].input.value = text;
    ends[active].spot = spot;
    active = active ? 0 : 1;
    flags();
  }
  const view = planView(plan, units, {
    label: "Plan of the roads",
    onRoad(road, metres) { take(`${road.id}@${Math.round(metres)}`, placeOn(road, metres)); },
    onHome(index) { take(plan.homes.id[index], [plan.homes.x[index], plan.homes.y[index]]); says.textContent = homeName(plan, index); },
  });
  const says = make("p", { className: "hint", role: "status" });
  const truck = choice([["", "the study's trucks with a retarder"], ...study.trucks.map((name) => [name, name])], "");
  const exhaust = choice(EXHAUSTS, "muffled");
  const depart = make("input", { type: "time" });
  const zones = make("input", { type: "checkbox", checked: true });
  const road = choice(plan.roads.map((one) => [one.id, `${one.name || one.id} (${length(one.length_m, units)})`]), plan.roads[0].id);
  const shared = () => ({ truck: truck.value, exhaust: exhaust.value, depart_s: seconds(depart.value), no_zones: !zones.checked });
  const routes = make("div"), descents = make("div");
  const find = jobBox({ key, kind: "route", start: "Find routes", finished: drawRoutes,
    options: () => {
      if (!ends[0].input.value.trim() || !ends[1].input.value.trim()) { fill(routes, note("Name both places first.", "warn")); return null; }
      fill(routes);
      return { start: ends[0].input.value, target: ends[1].input.value, ...shared() };
    } });
  const descend = jobBox({ key, kind: "descend", start: "Plan quiet descents", finished: drawDescents,
    options: () => { fill(descents); return { road: road.value, ...shared() }; } });
  function drawRoutes(result) {
    fill(routes, paper(key, result, "routes/routes.html", "The routes", ["routes/routes.gpx", "routes/routes.kml", "routes/routes.csv", ...result.files.filter((name) => /driver-\d+\.html$/.test(name))]));
  }
  function drawDescents(result) {
    const analysis = result.files.find((name) => name.endsWith("analysis.html"));
    fill(descents, paper(key, result, analysis, "Strip charts: calculation input, not driving advice", result.files.filter((name) => /driver\.html$|\.csv$|\.svg$/.test(name))));
  }
  fill(out,
    make("div", { className: "two" }, view.node,
      make("div", {},
        make("fieldset", {}, make("legend", {}, "The truck"),
          labelled("Truck", truck), labelled("Exhaust", exhaust),
          labelled("Departure", depart, "Empty: every hour of a zone counts"),
          make("label", {}, zones, " the study's zones are in force")),
        make("fieldset", {}, make("legend", {}, "A route"),
          make("p", { className: "hint" }, "Click the plan for one end, then for the other; or write a road with metres (such as SR 77@0), a home, a town, or longitude,latitude."),
          ends.map((end) => labelled(end.title, end.input)), says,
          button("Swap", () => { [ends[0].input.value, ends[1].input.value] = [ends[1].input.value, ends[0].input.value]; [ends[0].spot, ends[1].spot] = [ends[1].spot, ends[0].spot]; flags(); }),
          find),
        make("fieldset", {}, make("legend", {}, "A quiet descent"), labelled("Road, downhill", road), descend))),
    routes, descents);
  return { close() { find.stop(); descend.stop(); view.destroy(); } };
}

function paper(key, result, name, title, files) {
  const href = (one) => `/results/${key}/${one.split("/").map(encodeURIComponent).join("/")}`;
  return [
    make("h2", {}, title),
    make("p", { className: "bar papers" }, files.filter((one) => result.files.includes(one)).map((one) =>
      make("a", { className: "button", href: href(one), target: "_blank", rel: "noopener" }, titleOf(one.split("/").pop())))),
    make("iframe", { className: "paper", src: href(name), title, sandbox: "" })];
}

const TITLES = { gpx: "Tracks (GPX)", kml: "Tracks (KML)", csv: "Table", svg: "Strip chart" };

function titleOf(name) {
  const sheet = name.match(/^driver(?:-(\d+))?\.html$/);
  if (sheet) return sheet[1] ? `Driver's sheet, route ${sheet[1]}` : "Driver's sheet";
  const [, truck] = name.match(/^(?:plan|strip)-\d+-(.*)\./) || [];
  return TITLES[name.split(".").pop()] + (truck ? `: ${truck.replaceAll("-", " ")}` : "");
}

function seconds(clock) {
  const parts = clock.split(":").map(Number);
  return parts.length === 2 && parts.every(Number.isFinite) ? 3600 * parts[0] + 60 * parts[1] : null;
}
