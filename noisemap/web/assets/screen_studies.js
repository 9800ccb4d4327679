// Choose a study or start one.
import { post } from "./api.js";
import { button, fill, labelled, make, note } from "./dom.js";
import { refusal } from "./job.js";

export function show({ box, page, go, again }) {
  const says = make("div");
  const name = make("input", { type: "text", maxlength: "120", value: "", autocomplete: "off" });
  async function start(from, called) {
    fill(says, note("Writing the study …"));
    try {
      const made = await post("/api/studies", { name: called, from });
      go(made.key, "setup");
    } catch (error) { fill(says, refusal(error)); }
  }
  function demoName() {
    const taken = new Set(page.studies.map((one) => one.file.split("/")[0]));
    let called = "invented town";
    for (let number = 2; taken.has(called); number += 1) called = `invented town ${number}`;
    return called;
  }
  fill(box,
    make("h1", {}, "Where would an engine-brake restriction help, and do the brakes stay within their limits?"),
    make("p", { className: "lead" }, "Give a road, its hills, its homes and its trucks. noisemap computes what every home hears, " +
      "what a restriction zone would change, and what it does to the brakes on the grade."),
    says,
    make("div", { className: "cards" },
      make("section", { className: "card", "aria-labelledby": "try-head" },
        make("h2", { id: "try-head" }, "Try it on an invented town"),
        make("p", {}, "Copies a complete study with invented data: one downgrade, a town at its foot, four candidate zones. " +
          "The decision takes about ten minutes."),
        button("Start with the invented town", () => start("demo", demoName()), "main")),
      make("section", { className: "card", "aria-labelledby": "own-head" },
        make("h2", { id: "own-head" }, "Start your own"),
        make("form", { on: { submit: (event) => { event.preventDefault(); start("template", name.value); } } },
          labelled("Name of the folder", name, "For example: west grade"),
          make("button", { type: "submit" }, "Start a study")))),
    make("h2", {}, "Studies in this folder"),
    make("p", { className: "hint" }, page.folder),
    page.studies.length
      ? make("ul", { className: "studies" }, page.studies.map((one) => make("li", {},
          make("a", { href: `#/${one.key}/${one.computed ? "decide" : "setup"}` }, one.name),
          make("span", { className: "hint" }, ` ${one.file}`),
          make("span", { className: "tag" }, one.running ? "● at work" : one.computed ? "✓ computed" : "not computed yet"))))
      : note("None yet."),
    button("Look again", again));
  return {};
}
