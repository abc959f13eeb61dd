// What all pages do alike: ask the server, say something, and fill a part only when what it shows has changed.

export const $ = (id) => document.getElementById(id);
export const comma = (1.5).toLocaleString(navigator.language).includes(",");
export const dark = matchMedia("(prefers-color-scheme: dark)");

/// Numbers in the server's sentences have a point; readers of a comma get one.
export const numbers = (text) => (comma ? text.replace(/(\d)\.(\d)/g, "$1,$2") : text);
export const options = (more = {}) => new URLSearchParams({ ...(comma ? { mark: "comma" } : {}), ...(dark.matches ? { dark: "1" } : {}), ...more }).toString();
/// For what is taken along and printed: never dark.
export const onPaper = (more = {}) => new URLSearchParams({ ...(comma ? { mark: "comma" } : {}), ...more }).toString();

export function say(text) {
  $("say").textContent = text;
  clearTimeout(say.timer);
  say.timer = setTimeout(() => { $("say").textContent = ""; }, 9000);
}

export async function ask(path, body, method) {
  const response = await fetch(path, body === undefined && !method ? {} : {
    method: method ?? "POST", body: body === undefined ? undefined : JSON.stringify(body),
    headers: body === undefined ? {} : { "content-type": "application/json" } });
  if (response.ok) return response.status === 204 ? null : response.json();
  const why = await response.json().catch(() => ({ message: "The server couldn't do that.", hint: "Try once more." }));
  throw Object.assign(new Error(`${why.message} ${why.hint}`), { status: response.status });
}

export const shownKeys = new Map();

/// Fills a part of the sheet again only when what it shows has changed: nothing jumps, and the focus stays.
export function fill(id, key, make) {
  const text = JSON.stringify(key);
  if (shownKeys.get(id) === text) return;
  shownKeys.set(id, text);
  $(id).replaceChildren(...[make()].flat(3).filter((node) => node !== null && node !== undefined));
}
