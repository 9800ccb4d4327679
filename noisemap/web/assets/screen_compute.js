// The whole study, with progress that every tab sees, and a way to stop it.
import { fill, list, make, more, note } from "./dom.js";
import { jobBox } from "./job.js";

export function show({ box, key, study }) {
  const out = make("div");
  const open = study.problems.length;
  const job = jobBox({ key, kind: "run", start: "Compute the study", again: "Compute again",
    hint: "The first run compiles for about half a minute and keeps the result. You may close this page meanwhile: the work goes on as long as the server runs.", finished: draw });
  fill(box, make("h1", {}, "Compute"),
    open ? note(`The settings have ${open} ${open === 1 ? "fault" : "faults"}; put them right first, or the run will stop at once.`, "warn") : null,
    job, out);
  function draw(result) {
    fill(out,
      make("h2", {}, "The answer"), make("p", { className: "lead" }, result.answer),
      make("ul", { className: "verdicts" }, result.zones.map((zone) => make("li", { className: zone.verdict === "refused for brakes" ? "refused" : "" },
        make("strong", {}, `${zone.name}: `), make("span", { className: "tag" }, mark(zone.verdict) + zone.verdict), make("p", {}, zone.sentence)))),
      result.warnings.length ? more(`Look at these before you trust a figure (${result.warnings.length})`, list(result.warnings)) : null,
      make("p", { className: "bar" }, make("a", { className: "button main", href: `#/${key}/decide` }, "See it on the map ›")));
  }
  return { close() { job.stop(); } };
}

const mark = (verdict) => (verdict === "refused for brakes" ? "✕ " : verdict === "worth signing" ? "✓ " : "● ");
