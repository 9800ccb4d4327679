// Watching a study's job: what runs shows in every tab, and a reload finds it again.
import { get, post, remove } from "./api.js";
import { announce, button, faultBox, fill, make, note } from "./dom.js";

const FAST_MS = 500;
const IDLE_MS = 2500;

// Calls `changed(job)` on every news until `stop()`.
export function watch(path, changed) {
  let timer = 0, last = "", over = false;
  async function look() {
    let job = null;
    try { job = await get(path); } catch (error) { changed(null, error); }
    if (over) return;
    const news = JSON.stringify(job);
    if (job && news !== last) { last = news; changed(job, null); }
    timer = window.setTimeout(look, job && job.state === "running" ? FAST_MS : IDLE_MS);
  }
  look();
  return {
    again() { window.clearTimeout(timer); look(); },
    stop() { over = true; window.clearTimeout(timer); },
  };
}

export async function outcome(base, kind) {
  const job = await get(`${base}/job/${kind}`);
  return job && job.state === "done" ? job.result : null;
}

// A box that starts one kind of job, shows it, stops it, and calls `finished(result)`.
export function jobBox({ key, kind, start, options, finished, hint, again }) {
  const base = `/api/study/${key}`;
  const box = make("section", { className: "job", "aria-label": "Progress" });
  const go = button(start, begin, "main");
  const says = make("div", { className: "job-says" });
  const view = progressView(stop);
  let shownNumber = 0, seen = "", over = false, watcher = null;
  fill(box, make("div", { className: "row" }, go), hint ? note(hint) : null, says);

  function working(job) {
    view.update(job);
    if (view.node.parentNode !== says) fill(says, view.node);
  }
  async function begin() {
    go.disabled = true;
    fill(says);
    try {
      const wanted = options ? options() : {};
      if (wanted === null) { go.disabled = false; return; }
      await post(`${base}/job/${kind}`, wanted);
      announce("Started.");
      watcher.again();
    } catch (error) {
      go.disabled = false;
      fill(says, refusal(error));
    }
  }
  async function stop() {
    try { await remove(`${base}/job`); announce("Stopping."); watcher.again(); } catch (error) { fill(says, refusal(error)); }
  }
  // What was found earlier is shown first, then what changes.
  get(`${base}/job/${kind}`).then((job) => {
    if (over) return;
    if (job && job.state === "done") {
      shownNumber = job.number;
      if (again) go.textContent = again;
      finished(job.result, false);
    }
    watcher = watch(`${base}/job`, news);
  }, (error) => fill(says, refusal(error)));
  async function news(job, error) {
    if (error) { fill(says, refusal(error)); return; }
    const running = job.state === "running";
    go.disabled = running;
    if (job.kind !== kind || job.number === shownNumber) {
      if (running) working(job); else fill(says);
      return;
    }
    if (again && job.number) go.textContent = again;
    if (running) { working(job); seen = "running"; return; }
    if (job.state === "cancelled") { fill(says, note("Stopped. What was finished is kept; start again to go on.")); }
    if (job.state === "failed") { fill(says, refusal({ message: job.error.text, problems: job.error.problems })); }
    if (job.state === "done" && shownNumber !== job.number) {
      shownNumber = job.number;
      fill(says, note(`Done in ${job.seconds.toFixed(0)} s.`, "good"));
      if (seen === "running") announce("Done.");
      const result = await outcome(base, kind);
      if (!over) finished(result, seen === "running");
    }
    if (job.state !== "done" && seen === "running") announce(job.state === "failed" ? "It failed; the reason is on the screen." : "Stopped.");
    seen = job.state;
  }
  box.stop = () => { over = true; if (watcher) watcher.stop(); };
  return box;
}

export function refusal(error) {
  const lines = (error.problems || []).map((one) => one.text).filter((text) => text && text !== error.message);
  const [head, ...rest] = String(error.message).split("\n");
  return faultBox(head, lines.length ? lines : rest);
}

// One box that is renewed in place, so that the focus stays on its button.
function progressView(stop) {
  const title = make("p", { className: "job-title" });
  const stages = make("ol", { className: "stages" });
  const bar = make("progress", { max: "1" });
  const end = button("Stop", stop);
  return {
    node: make("div", { className: "progress" }, title, stages, bar, end),
    update(job) {
      const last = job.stages.length - 1;
      const share = job.total ? job.done / job.total : null;
      title.textContent = `${job.title} · ${job.seconds.toFixed(0)} s`;
      fill(stages, job.stages.map((text, index) =>
        make("li", { className: index === last ? "now" : "past" }, (index === last ? "▸ " : "✓ ") + text +
          (index === last && share !== null ? `, ${Math.round(100 * share)} %` : ""))));
      bar.setAttribute("aria-label", job.stages[last] || job.title);
      if (share === null) bar.removeAttribute("value"); else bar.value = share;
      end.textContent = job.stopping ? "Stopping …" : "Stop";
      end.disabled = job.stopping;
    },
  };
}
