// The page: which study and which screen, by the address; the screens are modules of their own.
import { get } from "./api.js";
import { announce, byId, fill, list, make, more } from "./dom.js";
import { refusal, watch } from "./job.js";
import * as compute from "./screen_compute.js";
import * as decide from "./screen_decide.js";
import * as inspect from "./screen_inspect.js";
import * as hear from "./screen_listen.js";
import * as routes from "./screen_routes.js";
import * as scene from "./screen_scene.js";
import * as setup from "./screen_setup.js";
import * as studies from "./screen_studies.js";

const SCREENS = [
  ["studies", "Studies", studies, false],
  ["setup", "Set up", setup, true],
  ["scene", "Check the scene", scene, true],
  ["compute", "Compute", compute, true],
  ["decide", "Decide", decide, true],
  ["listen", "Listen", hear, true],
  ["routes", "Routes", routes, true],
  ["inspect", "Inspect", inspect, false],
];
const UNSAVED = "There are changes that were not saved. Leave without them?";

let open = null, watcher = null, page = null, leaving = false, turns = 0;

export function go(key, screen) {
  window.location.hash = key ? `#/${key}/${screen}` : `#/${screen}`;
}

function address() {
  const parts = window.location.hash.replace(/^#\//, "").split("/").filter(Boolean);
  const named = (name) => SCREENS.some((row) => row[0] === name);
  if (parts.length === 2 && named(parts[1])) return { key: parts[0], screen: parts[1] };
  if (parts.length === 1 && named(parts[0])) return { key: null, screen: parts[0] };
  return null;
}

async function show() {
  if (leaving) { leaving = false; return; }
  if (open && open.unsaved && open.unsaved() && !window.confirm(UNSAVED)) {
    leaving = true;
    window.history.back();
    return;
  }
  if (open && open.close) open.close();
  open = null;
  turns += 1;
  const turn = turns;
  const main = byId("screen");
  fill(main, make("p", { className: "note" }, "Loading …"));
  try {
    page = await get("/api/page");
    const named = page.named && page.studies.length ? page.studies[0].key : null;
    const where = address() || (named ? { key: named, screen: "setup" } : { key: null, screen: "studies" });
    const row = SCREENS.find((one) => one[0] === where.screen);
    if (row[3] && !where.key) { go(null, "studies"); return; }
    const study = where.key && row[3] ? await get(`/api/study/${where.key}`) : null;
    if (turn !== turns) return;
    const key = where.key || null;
    frame(key, where.screen, study);
    follow(key);
    const box = make("div", { className: `screen ${where.screen}` });
    fill(main, box);
    const opened = await row[2].show({ box, key, study, page, go, again: show });
    if (turn !== turns) { if (opened.close) opened.close(); return; }
    open = opened;
    main.focus({ preventScroll: true });
    window.scrollTo(0, 0);
    announce(row[1]);
  } catch (error) {
    fill(main, refusal(error), make("p", {}, make("a", { href: "#/studies" }, "To the list of studies")));
  }
}

function frame(key, screen, study) {
  const known = key && page.studies.find((one) => one.key === key);
  const name = study ? study.name : known ? known.name : "";
  const title = SCREENS.find((row) => row[0] === screen)[1];
  document.body.classList.toggle("wide", screen === "decide");
  document.title = name ? `${title}: ${name}` : `${title}: noisemap`;
  byId("which").textContent = name;
  fill(byId("steps"), make("ol", {}, SCREENS.map(([id, text, , needs]) => {
    const current = id === screen;
    const target = needs ? (key ? `#/${key}/${id}` : null) : key ? `#/${key}/${id}` : `#/${id}`;
    return make("li", {}, target
      ? make("a", { href: target, "aria-current": current ? "page" : null }, text)
      : make("span", { className: "off", title: "Choose a study first" }, text));
  })));
  const here = byId("steps").querySelector("[aria-current]");
  byId("steps").firstChild.scrollLeft = here ? here.offsetLeft - 60 : 0;
  fill(byId("cautions"),
    list(page.cautions.always),
    more("All cautions", list(screen === "routes" ? page.cautions.routes : page.cautions.study)),
    make("p", {}, "Nothing leaves this computer: the page is served from it, to it."));
}

function follow(key) {
  if (watcher) watcher.stop();
  byId("busy").textContent = "";
  if (!key) return;
  watcher = watch(`/api/study/${key}/job`, (job) => {
    byId("busy").textContent = job && job.state === "running" ? `● ${job.title}` : "";
  });
}

window.addEventListener("hashchange", show);
window.addEventListener("beforeunload", (event) => {
  if (open && open.unsaved && open.unsaved()) event.preventDefault();
});
show();
