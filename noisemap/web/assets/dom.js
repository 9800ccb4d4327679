// Small helpers: elements are made, never parsed, so that no text from a file becomes markup.

export function make(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (value === undefined || value === null || value === false) continue;
    if (name === "on") {
      for (const [event, listener] of Object.entries(value)) node.addEventListener(event, listener);
    } else if (["className", "value", "checked", "disabled", "selected", "htmlFor", "open"].includes(name)) {
      node[name] = value;
    } else {
      node.setAttribute(name, value === true ? "" : value);
    }
  }
  node.append(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export const byId = (id) => document.getElementById(id);

export function fill(node, ...children) {
  node.replaceChildren(...children.flat().filter((child) => child !== null && child !== undefined && child !== false));
  return node;
}

export function announce(text) {
  byId("says").textContent = "";
  window.setTimeout(() => { byId("says").textContent = text; }, 50);
}

export function button(text, onclick, className = "", extra = {}) {
  return make("button", { type: "button", className, on: { click: onclick }, ...extra }, text);
}

export function list(texts, className = "") {
  return make("ul", { className }, texts.map((text) => make("li", {}, text)));
}

export function more(title, ...children) {
  return make("details", {}, make("summary", {}, title), ...children);
}

export function note(text, kind = "") {
  return make("p", { className: `note ${kind}` }, text);
}

export function faultBox(title, lines) {
  return make("div", { className: "fault-box", role: "alert" },
    make("p", { className: "fault-head" }, "✕ " + title),
    lines.length ? list(lines) : null);
}

export function table(caption, headers, rows) {
  return make("div", { className: "scroll", tabindex: "0", role: "region", "aria-label": caption },
    make("table", {},
      make("caption", {}, caption),
      make("thead", {}, make("tr", {}, headers.map((text) => make("th", { scope: "col" }, text)))),
      make("tbody", {}, rows.map((cells) => make("tr", {}, cells.map((cell) => make("td", {}, cell)))))));
}

let counter = 0;
export function labelled(text, input, hint) {
  counter += 1;
  input.id = input.id || `field-${counter}`;
  const parts = [make("label", { htmlFor: input.id }, text), input];
  if (hint) {
    const small = make("p", { className: "hint", id: `${input.id}-hint` }, hint);
    input.setAttribute("aria-describedby", small.id);
    parts.push(small);
  }
  return make("div", { className: "field" }, parts);
}

export function choice(options, value, onchange) {
  return make("select", { on: onchange ? { change: onchange } : {} },
    options.map(([key, text]) => make("option", { value: key, selected: key === value }, text)));
}
