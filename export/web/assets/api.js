// What is asked of the daemon and told to it. Every failure is an Error whose
// message is a sentence for people.

// get asks for JSON.
export function get(path, signal) {
  return ask(path, { headers: { Accept: "application/json" }, signal });
}

// post does something as the person who is logged in.
export function post(path, body) {
  return ask(path, { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(body ?? {}) });
}

async function ask(path, options) {
  let response;
  try {
    response = await fetch(address(path), { credentials: "same-origin", cache: "no-store", ...options });
  } catch (error) {
    if (error.name === "AbortError") throw error;
    throw new Error("The daemon does not answer. Nothing was changed by this; try again when the page is live.");
  }
  let answer;
  try {
    answer = await response.json();
  } catch {
    throw failure(response.status, `The daemon's answer could not be read (status ${response.status}).`);
  }
  if (!response.ok) throw failure(response.status, sentence(answer.error ?? `status ${response.status}`));
  return answer;
}

function failure(status, message) {
  return Object.assign(new Error(message), { status });
}

function sentence(text) {
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

// address is a path of this site without the login that the page's own address
// may hold, as on a wall display: browsers fetch nothing from an address with one.
export function address(path) {
  return location.origin + path;
}

// path joins parts to a path, each escaped.
export function path(...parts) {
  return "/" + parts.map(encodeURIComponent).join("/");
}
