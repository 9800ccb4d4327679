// A pass at a home, made audible: three exhausts, with the zone and without, all on one gain.
import { fill, labelled, list, make, choice, note, button } from "./dom.js";
import { jobBox } from "./job.js";
import { kmh, shownSpeed, speedUnit } from "./lengths.js";
import { findHomes, homeName, nearestRoad, planView } from "./plan.js";
import { planOf } from "./scene_data.js";

const STATES = { muffled: "Muffled", worn: "Worn muffler", straight: "No muffler (straight pipe)" };
const TRUCK_KMH = 50;

export async function show({ box, key, study }) {
  const units = study.values.units || "us";
  const out = make("div");
  fill(box, make("h1", {}, "Listen"), out);
  const plan = await planOf(key);
  if (!plan) {
    const first = jobBox({ key, kind: "check", start: "Read the scene", hint: "The scene is read once before a home can be chosen.", finished: (result, fresh) => { if (fresh) show({ box, key, study }); } });
    fill(out, first);
    return { close: first.stop };
  }
  let home = -1;
  const view = planView(plan, units, { label: "Plan of the homes", onHome: choose });
  const says = make("p", { className: "chosen", role: "status" }, "No home is chosen yet: click one on the plan, or find it by its address.");
  const find = make("input", { type: "search", maxlength: "80", autocomplete: "off", on: { input: matches } });
  const hits = make("div", { className: "hits" });
  const road = choice(plan.roads.map((one) => [one.id, one.name || one.id]), plan.roads[0].id);
  const speed = make("input", { type: "text", inputmode: "decimal", value: shownSpeed(TRUCK_KMH, units) });
  const zones = study.zones.map((zone) => zone.name);
  const zone = choice([["", "no zone"], ...zones.map((name) => [name, name])], zones[0] || "");
  const player = make("div");
  const job = jobBox({ key, kind: "listen", start: "Make it audible", finished: draw,
    options() {
      if (home < 0) { fill(player, note("Choose a home first.", "warn")); return null; }
      const asked = Number(speed.value);
      if (!Number.isFinite(asked) || asked <= 0) { fill(player, note("Write the speed as a number.", "warn")); return null; }
      fill(player);
      return { home: plan.homes.id[home], road: road.value, speed_kmh: kmh(asked, units), zone: zone.value };
    } });
  function choose(index) {
    home = index;
    view.choose(index);
    const near = nearestRoad(plan, index);
    road.value = near.road.id;
    says.textContent = `Chosen: ${homeName(plan, index)}.`;
    fill(hits);
  }
  function matches() {
    fill(hits, findHomes(plan, find.value).map((index) => button(homeName(plan, index), () => choose(index))));
  }
  function draw(result) {
    const index = plan.homes.id.indexOf(result.home);
    if (index >= 0 && home < 0) { home = index; view.choose(index); says.textContent = `Chosen: ${homeName(plan, index)}.`; road.value = result.road; }
    fill(player, playerOf(key, result, index >= 0 ? homeName(plan, index) : result.home, units));
  }
  fill(out,
    note("These are illustrations: computed from the model, not recorded. They prove nothing about any truck."),
    make("div", { className: "two" }, view.node,
      make("div", {}, labelled("Find a home by address or number", find), hits, says,
        labelled("Road of the pass", road),
        labelled(`Speed of the truck in the model (${speedUnit(units)})`, speed, "A figure of the calculation, no advice"),
        labelled("Zone to compare with", zone, zones.length ? "In its hours, obeyed by this truck" : "This study has no zone yet"),
        job)),
    player);
  return { close() { job.stop(); view.destroy(); } };
}

function playerOf(key, result, name, units) {
  const stamp = Date.now();
  const gate = make("input", { type: "checkbox", on: { change: () => { sounds.hidden = !gate.checked; if (!gate.checked) sounds.querySelectorAll("audio").forEach((one) => one.pause()); } } });
  const loudest = result.files.reduce((most, one) => Math.max(most, one.l_af_max_db), 0);
  const cell = (state, zoned) => {
    const one = result.files.find((file) => file.state === state && Boolean(file.zone) === zoned);
    if (!one) return make("td", {}, zoned && result.zone ? "the zone does not bind this exhaust: as now" : "–");
    const audio = make("audio", { controls: true, preload: "none", src: `/results/${key}/${result.folder}/${one.file}?${stamp}`,
      "aria-label": `${STATES[state]}, ${zoned ? "zone obeyed" : "as now"}, loudest ${one.l_af_max_db} decibels` });
    audio.addEventListener("play", () => sounds.querySelectorAll("audio").forEach((other) => { if (other !== audio) other.pause(); }));
    return make("td", {}, audio, make("p", {}, make("strong", {}, `loudest ${one.l_af_max_db.toFixed(0)} dB(A)`), ` outdoors, ± ${one.standard_uncertainty_db.toFixed(0)} dB standard uncertainty`),
      make("a", { className: "hint", href: audio.src, download: one.file }, one.file));
  };
  const sounds = make("div", { hidden: true },
    make("div", { className: "scroll" }, make("table", { className: "sounds" },
      make("caption", {}, `ILLUSTRATION at ${name}, ${shownSpeed(result.speed_kmh, units)} ${speedUnit(units)}, retarder in use all along the pass`),
      make("thead", {}, make("tr", {}, ["Exhaust", "As now", result.zone ? `Zone “${result.zone}” obeyed` : "With a zone"].map((text) => make("th", { scope: "col" }, text)))),
      make("tbody", {}, Object.keys(STATES).map((state) => make("tr", {}, make("th", { scope: "row" }, STATES[state]), cell(state, false), cell(state, true)))))));
  return [
    make("section", { className: "volume", "aria-label": "Volume" },
      make("h2", {}, "Before you play: turn the volume down"),
      make("p", {}, `The loudest pass here is ${loudest.toFixed(0)} dB(A) at the home outdoors. All sounds share one gain: start with the loudest at a low volume, set it once, then compare. ` +
        `A full-scale tone stands for ${result.full_scale_sine_db.toFixed(0)} dB; played at another volume the sounds tell differences, not loudness. Loud sound through headphones can harm hearing.`),
      make("label", {}, gate, " I have turned the volume down")),
    sounds,
    result.zone && result.share_of_pass_in_zone === 0 ? note("The truck does not pass through this zone within the seconds heard here: the sounds are alike.", "warn") : null,
    list(result.cautions, "hint")];
}
