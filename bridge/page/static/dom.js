// Elements without markup in strings: the page's policy allows none, and nothing has to be escaped.

const SVG = "http://www.w3.org/2000/svg";

function build(node, attributes, children) {
  for (const [name, value] of Object.entries(attributes)) {
    if (typeof value === "function") node.addEventListener(name, value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

/** An HTML element. An attribute that is a function listens to the event of that name. */
export function el(tag, attributes = {}, ...children) {
  return build(document.createElement(tag), attributes, children);
}

/** An SVG element. */
export function svg(tag, attributes = {}, ...children) {
  return build(document.createElementNS(SVG, tag), attributes, children);
}

/** A push button. */
export function button(label, click, attributes = {}) {
  return el("button", { type: "button", click, ...attributes }, label);
}

/** Controls that belong together, under a heading. */
export function group(heading, ...children) {
  return el("fieldset", { class: "group" }, el("legend", {}, heading), ...children);
}

/** Set the text if it differs: what has not changed is neither painted nor read out again. */
export function put(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** Set or, by null or false, remove an attribute if it differs. */
export function set(node, name, value) {
  if (value === null || value === undefined || value === false) {
    if (node.hasAttribute(name)) node.removeAttribute(name);
    return;
  }
  const text = value === true ? "" : String(value);
  if (node.getAttribute(name) !== text) node.setAttribute(name, text);
}

/** A function that hands on the latest of what it is called with, at most once in so long; the last is never left out. */
export function throttled(ms, tell) {
  let toldMs = -Infinity;
  let timer = null;
  let newest = null;
  const now = () => {
    timer = null;
    toldMs = performance.now();
    tell(newest);
  };
  return (value) => {
    newest = value;
    if (timer === null) timer = setTimeout(now, Math.max(0, toldMs + ms - performance.now()));
  };
}

/** Replace the children, but only when `data` differs from the last time. */
export function rebuild(node, data, make) {
  const key = JSON.stringify(data);
  if (node.lastBuilt === key) return;
  node.lastBuilt = key;
  node.replaceChildren(...[make(data)].flat().filter(Boolean));
}
