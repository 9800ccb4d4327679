// The scene as last read, by a check or a run.
import { outcome } from "./job.js";

export async function planOf(key) {
  for (const kind of ["run", "check"]) {
    const result = await outcome(`/api/study/${key}`, kind);
    if (result && result.plan) return result.plan;
  }
  return null;
}
