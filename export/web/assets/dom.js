// Small hands for the document: elements are made by h and s, lists are kept by
// keyed. Text is always set as text, so that no name of the fleet file can
// become markup.

const svgNamespace = "http://www.w3.org/2000/svg";

// h makes an element of HTML. Attributes that are null, undefined or false are
// left out, true stands without a value, "on..." are listeners, and kids may be
// nodes, texts, numbers, lists of these, or null.
export function h(tag, attributes, ...kids) {
  return fill(document.createElement(tag), attributes, kids);
}

// s makes an element of SVG.
export function s(tag, attributes, ...kids) {
  return fill(document.createElementNS(svgNamespace, tag), attributes, kids);
}

function fill(element, attributes, kids) {
  for (const [name, value] of Object.entries(attributes ?? {})) {
    if (value === null || value === undefined || value === false) continue;
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...nodes(kids));
  return element;
}

function nodes(kids) {
  return kids.flat(Infinity).filter((kid) => kid !== null && kid !== undefined && kid !== false);
}

// replace makes kids the only children of a parent.
export function replace(parent, ...kids) {
  parent.replaceChildren(...nodes(kids));
  return parent;
}

// say sets an element's text, only where it differs: what a screen reader
// stands on is left alone as long as it says the same.
export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// keyed makes the children of a parent those of the items, in their order. A
// child stays the same element as long as its item's key does, so that focus,
// selection and scrolling survive: make(item) makes one, and update(child, item)
// brings it up to date, new ones too.
export function keyed(parent, items, key, make, update) {
  const known = new Map();
  for (const child of parent.children) known.set(child.key, child);
  let place = parent.firstElementChild;
  for (const item of items) {
    const name = key(item);
    let child = known.get(name);
    known.delete(name);
    if (!child) {
      child = make(item);
      child.key = name;
    }
    update?.(child, item);
    if (child === place) place = place.nextElementSibling;
    else parent.insertBefore(child, place);
  }
  for (const child of known.values()) child.remove();
}
