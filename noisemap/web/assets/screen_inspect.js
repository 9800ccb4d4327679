// Roadside readings, pasted or from a file: verdicts at once, a sheet for each truck.
import { get, send } from "./api.js";
import { announce, button, fill, labelled, list, make, note } from "./dom.js";
import { refusal, watch } from "./job.js";

export function show({ box }) {
  const area = make("textarea", { rows: "8", spellcheck: "false", wrap: "off" });
  const picker = make("input", { type: "file", accept: ".csv,.xlsx", on: { change: () => { if (picker.files[0]) judge(picker.files[0].name, picker.files[0]); picker.value = ""; } } });
  const says = make("div", { role: "status" }), out = make("div");
  let shown = 0;
  async function judge(name, content) {
    fill(out);
    fill(says, note("Reading …"));
    try { await send("POST", `/api/inspection/${encodeURIComponent(name)}`, content); watcher.again(); }
    catch (error) { fill(says, refusal(error)); }
  }
  const watcher = watch("/api/inspection", async (job, error) => {
    if (error) { fill(says, refusal(error)); return; }
    if (job.state === "running") { fill(says, note(`Judging … ${job.seconds.toFixed(0)} s`)); return; }
    if (job.number === shown) return;
    shown = job.number;
    if (job.state === "failed") { fill(says, refusal({ message: job.error.text, problems: job.error.problems })); return; }
    if (job.state !== "done") return;
    fill(says);
    draw((await get("/api/inspection")).result);
  });
  function draw(result) {
    const frame = make("iframe", { className: "paper", title: "Inspection sheet", sandbox: "", hidden: true });
    const href = (name) => `/inspections/${result.number}/${name}`;
    const open = (name, row) => { frame.hidden = false; frame.src = href(name); frame.title = `Inspection sheet of reading ${row.reading}`; frame.scrollIntoView({ block: "start" }); };
    fill(out,
      make("h2", {}, "Verdicts"),
      make("p", { className: "lead" }, Object.entries(result.counts).map(([word, count]) => `${count} ${word}`).join(", ")),
      make("p", { className: "bar papers" }, ["inspections.csv", "inspections.json"].map((name) => make("a", { className: "button", href: href(name), download: name }, name))),
      make("div", { className: "scroll", tabindex: "0", role: "region", "aria-label": "Verdicts" }, make("table", {},
        make("caption", {}, "One row a reading; the sheet names every clause"),
        make("thead", {}, make("tr", {}, ["Reading", "Plate", "Verdict", "Why", "Exhaust seen", "Evidence", "Sheet"].map((text) => make("th", { scope: "col" }, text)))),
        make("tbody", {}, result.rows.map((row) => make("tr", {},
          [row.reading, row.plate, make("strong", {}, row.verdict), row.reason, row.exhaust, row.evidence].map((cell) => make("td", {}, cell)),
          make("td", {}, button("Open", () => open(row.sheet, row), "", { "aria-label": `Open the sheet of reading ${row.reading}` }))))))),
      frame, make("h2", {}, "Read with care"), list(result.cautions));
    announce(`${result.rows.length} readings judged.`);
  }
  fill(box,
    make("h1", {}, "Inspect readings"),
    make("p", { className: "lead" }, "A record sheet with one row a pass or a stationary run. Each verdict names its rule; nothing is guessed that was not recorded."),
    labelled("Paste the sheet, its first line with the names of the columns", area, "Comma-separated, as a spreadsheet saves it"),
    make("p", { className: "bar" },
      button("Judge what stands in the box", () => { if (area.value.trim()) judge("pasted.csv", new Blob([area.value])); else fill(says, note("The box is empty.", "warn")); }, "main"),
      make("label", { className: "file-pick" }, "Judge a file (.csv, .xlsx)", picker),
      button("Put an invented example into the box", async () => { area.value = (await get("/api/example-readings")).text; announce("The example stands in the box."); })),
    says, out);
  return { close: watcher.stop, unsaved: () => false };
}
