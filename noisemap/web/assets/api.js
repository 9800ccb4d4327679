// Talking to the server: every error is a sentence with, where known, the keys that it speaks of.

const token = document.querySelector("meta[name=noisemap-token]").content;

export class Refused extends Error {
  constructor(text, problems, exitCode) {
    super(text);
    this.problems = problems || [];
    this.exitCode = exitCode;
  }
}

async function ask(method, path, body, raw) {
  const headers = { "x-noisemap-token": token };
  if (body !== undefined && !raw) headers["content-type"] = "application/json";
  let answer;
  try {
    answer = await fetch(path, { method, headers, body: body === undefined ? undefined : raw ? body : JSON.stringify(body) });
  } catch {
    throw new Refused("The server does not answer. If its window was closed, start `noisemap serve` again and open the new address.");
  }
  const kind = answer.headers.get("content-type") || "";
  if (!kind.startsWith("application/json")) throw new Refused((await answer.text()).replace(/^noisemap: /, "").trim());
  const content = await answer.json();
  if (!answer.ok) throw new Refused(content.error, content.problems, content.exit_code);
  return content;
}

export const get = (path) => ask("GET", path);
export const post = (path, body) => ask("POST", path, body);
export const put = (path, body) => ask("PUT", path, body);
export const remove = (path) => ask("DELETE", path);
export const send = (method, path, file) => ask(method, path, file, true);
