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

// renew makes kids the children of a parent as replace does, but leaves those
// alone that would be the same, with the focus that one of them may have.
export function renew(parent, ...kids) {
  const wanted = nodes(kids).map((kid) => (kid instanceof Node ? kid : document.createTextNode(kid)));
  wanted.forEach((kid, i) => {
    const old = parent.childNodes[i];
    if (!old) parent.append(kid);
    else if (!old.isEqualNode(kid)) old.replaceWith(kid);
  });
  while (parent.childNodes.length > wanted.length) parent.lastChild.remove();
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
  const wanted = new Set(items.map(key));
  const known = new Map();
  for (const child of [...parent.children]) {
    if (wanted.has(child.key)) known.set(child.key, child);
    else child.remove(); // before others are placed, or these would be moved past it
  }
  let place = parent.firstElementChild;
  for (const item of items) {
    const name = key(item);
    let child = known.get(name);
    if (!child) {
      child = make(item);
      child.key = name;
    }
    update?.(child, item);
    if (child === place) place = place.nextElementSibling;
    else parent.insertBefore(child, place);
  }
}
