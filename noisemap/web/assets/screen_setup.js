// Files and the plain form over the study's main keys.
import { put, send } from "./api.js";
import { announce, button, choice, fill, labelled, list, make, more, note } from "./dom.js";
import { refusal } from "./job.js";
import { bytes } from "./lengths.js";

const BINDS = [
  ["unmuffled_compression_release", "compression-release brakes without a working muffler"],
  ["compression_release", "every compression-release brake, muffled or not"],
  ["every_auxiliary_brake", "every auxiliary brake"],
];

export function show({ box, key, study, go }) {
  const base = `/api/study/${key}`;
  const inputs = new Map(), slots = new Map(), zones = [];
  let changed = false, current = study;
  const touch = () => { changed = true; saved.textContent = "Not saved yet."; };
  const says = make("div");
  const saved = make("p", { className: "saved", role: "status" });
  const general = make("div");

  // ---- one field with its place for faults ----------------------------------
  function field(id, text, input, hint, read) {
    const node = labelled(text, input, hint);
    const slot = make("p", { className: "fault", id: `fault-${id.replace(/[^a-z_]/gi, "-")}` });
    node.append(slot);
    inputs.set(id, { input, read: read || (() => input.value || null) });
    slots.set(id, { slot, input, node });
    input.addEventListener("change", touch);
    input.addEventListener("input", touch);
    return node;
  }
  const value = (id) => current.values[id];
  function text(id, label, hint) {
    return field(id, label, make("input", { type: "text", value: value(id) ?? "", maxlength: "400", autocomplete: "off" }), hint);
  }
  function number(id, label, hint) {
    const input = make("input", { type: "text", inputmode: "decimal", value: value(id) ?? "", autocomplete: "off" });
    return field(id, label, input, hint, () => figure(input.value));
  }
  function names(id, label, hint) {
    const input = make("input", { type: "text", value: (value(id) || []).join(", "), autocomplete: "off" });
    return field(id, label, input, hint, () => input.value.split(",").map((part) => part.trim()).filter(Boolean));
  }
  function one(id, label, options, hint) {
    return field(id, label, choice(options, value(id) ?? options[0][0]), hint);
  }
  function file(id, label, kind, empty, hint) {
    const fitting = current.files.filter((row) => row.kinds.includes(kind)).map((row) => [row.name, `${row.name} (${bytes(row.bytes)})`]);
    const now = value(id);
    if (now && !fitting.some((row) => row[0] === now)) fitting.unshift([now, `${now} (not there)`]);
    return field(id, label, choice([["", empty], ...fitting], now ?? ""), hint);
  }
  function terrainFiles() {
    const chosen = value("terrain.files") || [];
    const there = current.files.filter((row) => row.kinds.includes("terrain")).map((row) => row.name);
    const all = [...new Set([...there, ...chosen])];
    const boxes = all.map((name) => make("input", { type: "checkbox", value: name, checked: chosen.includes(name) }));
    const group = make("div", { className: "checks", role: "group", "aria-label": "Terrain files", tabindex: "-1" },
      all.length ? all.map((name, index) => make("label", {}, boxes[index], ` ${name}${there.includes(name) ? "" : " (not there)"}`))
        : note("No elevation file beside the study yet: add one above."));
    return field("terrain.files", "Elevation files", group, "GeoTIFF, .hgt, .asc, or a .zip of them", () =>
      boxes.filter((input) => input.checked).map((input) => input.value));
  }
  function figure(typed) {
    const trimmed = String(typed).trim();
    if (!trimmed) return null;
    const read = Number(trimmed);
    return Number.isFinite(read) ? read : trimmed;
  }

  // ---- zones --------------------------------------------------------------------
  const zoneBox = make("div");
  function zoneRow(row, index) {
    const miles = row.from_mi !== null && row.from_mi !== undefined ? true : row.from_m === null || row.from_m === undefined ? current.values.units === "us" : false;
    const unit = miles ? "mi" : "m";
    const cells = {};
    const add = (name, label, input, hint, read) => {
      cells[name] = read || (() => input.value || null);
      const node = labelled(label, input, hint);
      const slot = make("p", { className: "fault" });
      node.append(slot);
      slots.set(`zone[${index + 1}].${name}`, { slot, input, node });
      input.addEventListener("input", touch);
      input.addEventListener("change", touch);
      return node;
    };
    const input = (name) => make("input", { type: "text", value: row[name] ?? "", maxlength: "120", autocomplete: "off" });
    const from = input(`from_${unit}`), to = input(`to_${unit}`), share = input("observance");
    const parts = [
      add("name", "Name", input("name")),
      add("road", "Road", input("road"), "Name or id, as the scene shows it"),
      add(`from_${unit}`, miles ? "From (mile)" : "From (m)", from, "From the road's upper end", () => figure(from.value)),
      add(`to_${unit}`, miles ? "To (mile)" : "To (m)", to, null, () => figure(to.value)),
      add("hours", "Hours", input("hours"), "0-24 all day, 22-7 nights"),
      add("binds", "Binds", choice(BINDS, row.binds ?? BINDS[0][0])),
      add("observance", "Share who obey", share, "0 to 1; 0.7 when empty", () => figure(share.value)),
    ];
    zones.push({ read: () => Object.fromEntries(Object.entries(cells).map(([name, read]) => [name, read()])) });
    return make("fieldset", { className: "zone-row" },
      make("legend", {}, `Zone ${index + 1}`), parts,
      button("Take this zone away", () => { const rows = zones.map((zone) => zone.read()); rows.splice(index, 1); touch(); zoneRows(rows); }));
  }
  function zoneRows(rows) {
    zones.length = 0;
    [...slots.keys()].filter((id) => id.startsWith("zone[")).forEach((id) => slots.delete(id));
    fill(zoneBox, rows.map(zoneRow),
      rows.length ? null : note("No zone yet. You may also find one later, on the map under Decide, and save it from there."),
      button("Add a zone", () => { touch(); zoneRows([...zones.map((zone) => zone.read()), { hours: "22-7", observance: 0.7 }]); }));
  }

  // ---- faults beside their fields ---------------------------------------------------
  function showProblems(problems) {
    const rest = [];
    slots.forEach(({ slot, input, node }) => { slot.textContent = ""; node.classList.remove("wrong"); input.removeAttribute("aria-invalid"); });
    problems.forEach((problem) => {
      const id = [...slots.keys()].find((known) => problem.field === known || problem.field.startsWith(`${known}[`)) ||
        (problem.field === "traffic" ? "traffic.file" : null);
      if (!id) { rest.push(problem.text); return; }
      const { slot, input, node } = slots.get(id);
      const words = problem.text.replace(/^[^ ]*\.toml(:\d+)?: /, "");
      slot.textContent = `✕ ${words.startsWith(`${problem.field}: `) ? words.slice(problem.field.length + 2) : words}`;
      node.classList.add("wrong");
      input.setAttribute("aria-invalid", "true");
      input.setAttribute("aria-errormessage", slot.id || (slot.id = `fault-${Math.random().toString(36).slice(2)}`));
    });
    const count = problems.length;
    fill(general, count
      ? make("div", { className: "fault-box" }, make("p", { className: "fault-head" }, `${count} ${count === 1 ? "thing is" : "things are"} to be put right`),
          rest.length ? list(rest) : make("p", {}, "Each stands beside its field below."))
      : note("✓ The settings are complete. Next: check the scene.", "good"));
  }

  async function save() {
    const kind = traffic.querySelector("input:checked").value;
    const values = Object.fromEntries([...inputs].map(([id, { read }]) => [id, read()]));
    Object.keys(values).forEach((id) => {
      if (kind === "counts" && id.startsWith("traffic.assumed.")) values[id] = null;
      if (kind === "average" && id === "traffic.file") values[id] = null;
    });
    const kept = Object.fromEntries(Object.entries(values).filter(([id, given]) => given !== null || current.values[id] !== null));
    // A choice that shows its default is written only once it differs.
    for (const [id, usual] of [["units", "us"], ["terrain.vertical_unit", "auto"], ["homes.source", "buildings"]]) {
      if (kept[id] === usual && current.values[id] === null) delete kept[id];
      if (kept[id] === "auto") kept[id] = null;
    }
    try {
      current = await put(base, { digest: current.digest, values: kept, zones: zones.map((zone) => zone.read()) });
      changed = false;
      draw();
      saved.textContent = "Saved.";
      announce(current.problems.length ? `Saved; ${current.problems.length} to be put right.` : "Saved; the settings are complete.");
      fill(says);
    } catch (error) { fill(says, refusal(error)); says.scrollIntoView({ block: "nearest" }); }
  }

  // ---- files ------------------------------------------------------------------------------
  const replace = make("input", { type: "checkbox" });
  const picker = make("input", { type: "file", multiple: true, on: { change: () => { take([...picker.files]); picker.value = ""; } } });
  const fileSays = make("div");
  const drop = make("div", { className: "drop", on: {
    dragover: (event) => { event.preventDefault(); drop.classList.add("over"); },
    dragleave: () => drop.classList.remove("over"),
    drop: (event) => { event.preventDefault(); drop.classList.remove("over"); take([...event.dataTransfer.files]); },
  } });
  async function take(files) {
    const lines = [];
    for (const given of files) {
      fill(fileSays, note(`Copying ${given.name} …`));
      try {
        await send("PUT", `${base}/file/${encodeURIComponent(given.name)}${replace.checked ? "?replace=1" : ""}`, given);
        lines.push(note(`✓ ${given.name} is in the study's folder.`, "good"));
      } catch (error) { lines.push(refusal(error)); }
    }
    if (!changed) {
      const { get } = await import("./api.js");
      current = await get(base);
      draw();
    } else {
      lines.push(note("Save the form to see the new files in its lists."));
    }
    fill(fileSays, lines);
    announce(fileSays.textContent);
  }

  // ---- traffic: counts or an average day ----------------------------------------------------
  const traffic = make("div", { className: "either", role: "radiogroup", "aria-label": "Traffic from" });

  function draw() {
    inputs.clear();
    slots.clear();
    const counted = current.values["traffic.assumed.vehicles_per_day"] === null && current.values["traffic.assumed.heavy_share"] === null;
    const counts = make("div", {}, file("traffic.file", "Counts", "table", "choose a table", "CSV or XLSX: road, direction, hour, vehicle_class, exhaust_state, vehicles_per_hour"));
    const average = make("div", {},
      number("traffic.assumed.vehicles_per_day", "Vehicles a day", "On each road whose file has none of its own"),
      number("traffic.assumed.heavy_share", "Share of heavy trucks", "0 to 1; 0.08 when empty"),
      number("traffic.assumed.heavy_night_share", "Share of the heavy trucks that go at night", "0 to 1; 0.15 when empty"));
    const pick = (chosen) => { counts.hidden = chosen !== "counts"; average.hidden = chosen === "counts"; };
    fill(traffic, [["counts", "from counts"], ["average", "an average day (an assumption, said everywhere)"]].map(([id, label]) =>
      make("label", {}, make("input", { type: "radio", name: "traffic", value: id, checked: (id === "counts") === counted,
        on: { change: () => { touch(); pick(id); } } }), ` ${label}`)));
    pick(counted ? "counts" : "average");
    const set = (legend, ...parts) => make("fieldset", {}, make("legend", {}, legend), parts);
    zoneRows(current.zones);
    const keys = make("details");
    const area = make("textarea", { rows: "22", spellcheck: "false", value: current.text, "aria-label": "The study file as text" });
    fill(drop,
      make("p", {}, make("strong", {}, "Drop files here"), " or choose them: terrain, roads, homes, counts, land use, walls."),
      make("label", { className: "file-pick" }, "Choose files", picker),
      make("label", {}, replace, " replace files of the same name"),
      fileSays,
      current.files.length ? more(`${current.files.length} files beside the study`, list(current.files.map((row) => `${row.name}, ${bytes(row.bytes)}`))) : null);
    fill(box,
      make("h1", {}, "Set up the study"),
      general, says,
      make("section", { "aria-label": "Files" }, drop),
      make("form", { className: "setup-form", on: { submit: (event) => { event.preventDefault(); save(); } } },
        make("div", { className: "columns" },
        set("The study", text("study.name", "Name"),
          one("units", "Show results in", [["us", "US units (miles, feet, °F, lb)"], ["metric", "metric units"]])),
        set("Terrain", terrainFiles(),
          one("terrain.vertical_unit", "Heights are in", [["auto", "what the files say, else metres"], ["m", "metres"], ["ft", "feet"], ["us-ft", "US survey feet"]])),
        set("Roads", file("roads.file", "Roads", "layer", "choose a file", "Shapefile (.zip), GeoPackage, GeoJSON, KML, OpenStreetMap …"),
          names("roads.names", "Only these roads carry the trucks", "Names with commas between; empty for all truck roads"),
          text("roads.layer", "Layer", "Only when the file holds several")),
        set("Homes", file("homes.file", "Homes", "layer", "choose a file", "Building outlines, address points or parcels"),
          one("homes.source", "The file holds", [["buildings", "building outlines"], ["points", "address points"], ["parcels", "parcels"], ["osm", "an OpenStreetMap extract"]]),
          number("homes.people_per_dwelling", "People in a dwelling", "Where the file has none; 2.5 when empty"),
          text("homes.layer", "Layer", "Only when the file holds several")),
        set("Traffic", traffic, counts, average),
        set("Ground and walls", file("ground.file", "Land use", "layer", "none"),
          number("ground.default_factor", "Ground where no land use says", "0 hard to 1 soft; 0.7 when empty"),
          file("obstacles.walls", "Walls and barriers", "layer", "none")),
        set("Brakes", number("descent.planning_limit_c", "Planning limit of the brakes (°C)", "What a zone may use; choose it before you look. 190 °C (374 °F) when empty"))),
        set("Candidate zones", zoneBox),
        make("div", { className: "bar" }, make("button", { type: "submit", className: "main" }, "Save"),
          button("Check the scene ›", async () => { if (changed) await save(); if (!changed) go(key, "scene"); }), saved)),
      keys);
    fill(keys, make("summary", {}, "All keys, as text"), note("Everything that a study may hold, with comments. Save either the form or this text."), area,
        button("Save this text", async () => {
          try { current = await put(base, { digest: current.digest, text: area.value }); changed = false; draw(); saved.textContent = "Saved."; announce("Saved."); }
          catch (error) { fill(says, refusal(error)); says.scrollIntoView({ block: "nearest" }); }
        }));
    keys.open = !current.readable;
    area.addEventListener("input", touch);
    showProblems(current.problems);
  }
  draw();
  return { unsaved: () => changed };
}
