// The teacher's sheet: how groups come in, what they measured, and what is made of all of it.

import { aimForm, foretelling } from "/static/aim.js";
import { $, ask, dark, fill, numbers, onPaper, options, say, shownKeys } from "/static/common.js";
import { el } from "/static/marks.js";

let view = null;
const aimed = {}, kept = {};

const measured = () => view.groups.flatMap((group) => group.rows.filter((row) => row.flight !== null).map((row) => ({ ...row, group })));
const many = (count, one) => (count === 1 ? `1 ${one}` : `${count} ${one}s`);

async function change(path, body, method, done) {
  try {
    const said = await ask(path, body, method);
    if (done) say(done);
    await refresh();
    return said;
  } catch (error) { say(error.message); return null; }
}

function doorPart() {
  const { code, join, fingerprint, groups } = view;
  return [el("div", { className: "door" }, el("div", {}, el("p", {}, "Scan this with the phone's camera, or open"), el("p", { className: "address" }, join), el("p", {}, "and type this code:"),
    el("p", { className: "code", id: "class-code" }, `${code.slice(0, 3)} ${code.slice(3)}`)),
    el("img", { src: `/class/join.svg?${code}`, alt: `The address ${join} with the code in it, to be scanned`, className: "qr" })),
    el("p", { id: "how-many" }, groups.length ? `${many(groups.length, "group")} in.` : "Nobody is in yet. The phones must be in this computer's Wi-Fi."),
    fingerprint ? el("details", {}, el("summary", {}, "The phone warns: what now?"),
      el("p", {}, "What the phones send is encrypted, with a certificate that this program made itself. No authority vouches for it, so each phone warns once. Whoever wants to be sure compares the fingerprint (SHA-256) that the phone shows under “details” or “certificate” with this one, and only then goes on:"),
      el("p", { className: "fingerprint" }, fingerprint)) : el("p", { className: "soft" }, "What the phones send isn't encrypted: others in this network could read along. Start the class with --tls and they can't.")];
}

function lockedPart() {
  if (!view.locked_out.length) return [];
  return [el("p", { className: "off" }, `Too many wrong codes came from ${view.locked_out.join(", ")}. Whoever is there can't come in for ten minutes.`),
    el("button", { type: "button", onclick: () => change("/api/class/forgive", {}, "POST", "They may try again.") }, "let them try again")];
}

const COMMON = [["ball_diameter", "Diameter of the ball", "70 mm"], ["ball_mass", "Mass of the ball", "13 g"], ["launcher", "Name of the launcher", "wooden catapult"],
  ["setting", "Its setting", "notch 3"], ["latitude", "Where you are: latitude, for g", "52.4 deg"]];
function commonPart() {
  const { common } = view;
  const field = (of, id) => ([name, label, example]) => [name, label, el("input", { id: `${id}-${name}`, placeholder: example, value: of?.[name] ?? "", autocomplete: "off" }), `${id}-${name}`];
  const known = COMMON.map(field(common, "all"));
  const told = foretelling(common.forecast, "for", view.launchers.map((name) => [{ book: name }, `${name}, by the shot book`]));
  const rig = el("textarea", { id: "rig", rows: 8, spellcheck: false, value: common.rig, placeholder: "[camera]\ndistance = \"3.00 m\"" });
  const file = el("input", { type: "file", id: "rig-file", accept: ".toml,text/plain", onchange: async () => { if (file.files[0]) rig.value = await file.files[0].text(); } });
  const submit = (event) => {
    event.preventDefault();
    const text = (fields) => Object.fromEntries(fields.map(([name, , input]) => [name, input.value.trim()]));
    const filled = Object.fromEntries(Object.entries(text(known)).map(([name, value]) => [name, value || null]));
    const forecast = told.value();
    change("/api/class/common", { ...filled, rig: rig.value, forecast: Object.values(forecast).some(Boolean) ? forecast : null }, "POST", "That goes for all now; what changes by it is measured again.");
  };
  const label = ([, words, input, id]) => el("label", { htmlFor: id }, words, input);
  const stated = COMMON.some(([name]) => common[name]) || common.forecast || common.rig.trim();
  return el("details", { open: false, id: "common" }, el("summary", {}, stated ? "You stated what is known for all: change it" : "state the ball, the launcher and the forecast once for all"),
    el("form", { onsubmit: submit }, el("p", { className: "soft" }, "What a group states on its own sheet goes before it. Leave out what you don't know."),
      el("div", { className: "fields" }, ...known.map(label)), el("h3", {}, "What was foretold of the shot"), ...told.nodes,
      el("details", {}, el("summary", {}, "a rig file for all"), el("label", { htmlFor: "rig-file" }, "Choose it,", file), el("label", { htmlFor: "rig" }, "or write it here", rig)),
      el("button", { type: "submit", className: "main" }, "use this for all")));
}

const HEAD = ["group", "speed / (m/s)", "angle / °", "g / (m/s²)", "g is", "what to tell them"];

function cell(tag, role, label, ...children) {
  const node = el(tag, { role }, ...children);
  if (label) node.dataset.label = label;
  return node;
}

function rowOf(group, row, several) {
  // The name stands once; what follows is set under it.
  const later = several && row.flight > 1;
  const name = el("a", { href: `/group/${group.id}${row.clip ? `#${row.clip}` : ""}`, className: later ? "later" : "" }, later ? `flight ${row.flight}` : group.name);
  if (later) name.setAttribute("aria-label", `${group.name}, flight ${row.flight}`);
  const head = cell("th", "rowheader", "", name, row.name && !later ? el("span", { className: "soft clip" }, row.name) : null);
  head.scope = "row";
  if (row.flight === null) {
    const bar = row.done === null || row.done === undefined ? null : el("progress", { max: 1, value: row.done, ariaLabel: `How far ${group.name} is` });
    const doing = cell("td", "cell", "", el("span", { className: row.stuck ? "off" : "" }, numbers(row.state)), bar);
    doing.colSpan = 4;
    return el("tr", { role: "row" }, head, doing, tell(row));
  }
  const verdict = row.agrees === true ? "✓ " : row.agrees === false ? "✗ " : "";
  return el("tr", { role: "row" }, head, cell("td", "cell", HEAD[1], row.speed), cell("td", "cell", HEAD[2], row.angle), cell("td", "cell", HEAD[3], row.gravity),
    cell("td", "cell", HEAD[4], el("span", { className: row.agrees ? "good" : row.agrees === false ? "off" : "" }, verdict + row.verdict)), tell(row));
}

function tell(row) {
  const notes = row.notes ?? [];
  const list = notes.length ? el("details", {}, el("summary", {}, notes.length === 1 ? "1 note" : `${notes.length} notes`), ...notes.map((text) => el("p", { className: "soft" }, text))) : null;
  const node = cell("td", "cell", row.tell ? HEAD[5] : "", numbers(row.tell), list);
  node.className = "tell";
  return node;
}

const rowsShown = new Map();

/// Rows come and change one by one, so that whoever reads or touches one isn't disturbed by another.
function showList() {
  if (!$("list")) {
    const head = el("tr", { role: "row" }, ...HEAD.map((text) => { const node = cell("th", "columnheader", "", text); node.scope = "col"; return node; }));
    $("list-body").replaceChildren(el("p", { id: "no-list" }, "As soon as a group is in it stands here; what it measures appears by itself."),
      el("table", { id: "list", role: "table", ariaLabel: "What each group has measured" }, el("thead", { role: "rowgroup" }, head), el("tbody", { role: "rowgroup" })),
      el("div", { id: "groups-body" }));
  }
  $("no-list").hidden = view.groups.length > 0;
  $("list").hidden = !view.groups.length;
  const wanted = view.groups.flatMap((group) => {
    const rows = group.arriving || !group.rows.length
      ? [...group.rows, { clip: null, name: "", flight: null, state: group.arriving ? "a clip is on its way" : "no clip yet", tell: "" }] : group.rows;
    return rows.map((row, i) => ({ key: `${group.id} ${row.clip} ${i}`, text: JSON.stringify([group.name, row]), make: () => rowOf(group, row, group.rows.length > 1) }));
  });
  const body = $("list").tBodies[0];
  for (const [key, one] of rowsShown) if (!wanted.some((row) => row.key === key)) { one.node.remove(); rowsShown.delete(key); }
  wanted.forEach((row, i) => {
    const old = rowsShown.get(row.key);
    let node = old?.node;
    if (old?.text !== row.text) {
      const focused = node?.contains(document.activeElement);
      node = row.make();
      if (old) old.node.replaceWith(node);
      if (focused) node.querySelector("a").focus();
      rowsShown.set(row.key, { text: row.text, node });
    }
    if (body.children[i] !== node) body.insertBefore(node, body.children[i] ?? null);
  });
  fill("groups-body", view.groups.map((group) => [group.id, group.name]), groupsPart);
}

function groupsPart() {
  if (!view.groups.length) return [];
  const select = el("select", { id: "which-group" }, ...view.groups.map((group) => el("option", { value: group.id }, group.name)));
  const name = () => select.selectedOptions[0].textContent;
  const letIn = () => change(`/api/class/groups/${select.value}/let-in`, {}, "POST", `${name()} may come in once more by its name and the code, within five minutes.`);
  const remove = () => confirm(`Remove ${name()} and all its clips?`) && change(`/api/class/groups/${select.value}`, undefined, "DELETE", `${name()} is gone.`);
  return el("details", {}, el("summary", {}, "a group lost its way, or is to go"), el("label", { htmlFor: "which-group" }, "Which group", select),
    el("div", { className: "row" }, el("button", { type: "button", onclick: letIn }, "let it back in from another phone"), el("button", { type: "button", onclick: remove }, "remove it and its clips")));
}

function togetherPart() {
  const link = (name, text) => el("a", { className: "button", href: `/api/class/file/${name}?${onPaper()}`, download: "" }, text);
  return [el("figure", {}, el("img", { src: `/api/class/file/class.svg?${options({ at: view.count })}`, alt: `Gravity, launch speed and launch angle of ${many(measured().length, "flight")}, with their 95 % intervals` })),
    el("p", { className: "soft" }, "± and bars are 95 % intervals."),
    el("div", { className: "row" }, link("class.html", "table and graph (web page)"), link("class.pdf", "table and graph (PDF)"), link("class.csv", "table (CSV)"), link("class.png", "graph (PNG)"), link("class.svg", "graph (SVG)"))];
}

/// Whether somebody saw the ball go in.
function wentIn(row) {
  const key = `${row.clip} ${row.flight} went`;
  const select = el("select", { ariaLabel: `Whether the shot of ${row.group.name}${row.flight > 1 ? `, flight ${row.flight},` : ""} went in`, onchange: () => { kept[key] = select.value; } },
    el("option", { value: "" }, "hit or miss?"), el("option", { value: "hit" }, "hit"), el("option", { value: "miss" }, "miss"));
  select.value = kept[key] ?? "";
  return select;
}

function bookPart() {
  const input = (id, placeholder, value = "") => el("input", { id, placeholder, value: kept[id] ?? value, autocomplete: "off", oninput: (event) => { kept[id] = event.target.value; } });
  const launcher = input("book-launcher", "wooden catapult", view.common.launcher ?? ""), session = input("book-session", "today's date"), setting = input("book-setting", "notch 3", view.common.setting ?? "");
  const opening = input("book-opening", "25 cm"), rim = input("book-rim", "24 cm"), distance = input("book-distance", "1.42 m");
  const ball = input("book-ball", "orange foam ball"), angle = input("book-angle", "50");
  launcher.setAttribute("list", "launchers");
  const ticks = measured().map((row) => [row, el("input", { type: "checkbox", checked: kept[`${row.clip} ${row.flight}`] ?? row.agrees !== false, onchange: (event) => { kept[`${row.clip} ${row.flight}`] = event.target.checked; } }), wentIn(row)]);
  const submit = async (event) => {
    event.preventDefault();
    const degrees = angle.value.trim() ? Number(angle.value.replace(",", ".").replace("°", "")) : null;
    if (Number.isNaN(degrees)) { say("The angle is a number of degrees, such as 50."); angle.focus(); return; }
    const said = await change("/api/class/record", { launcher: launcher.value, session: session.value, setting: setting.value, ball: ball.value, angle_deg: degrees,
      opening: opening.value, opening_height: rim.value, opening_distance: distance.value,
      flights: ticks.filter(([, tick]) => tick.checked).map(([row]) => [row.clip, row.flight]),
      outcomes: ticks.filter(([, tick, went]) => tick.checked && went.value).map(([row, , went]) => [row.clip, row.flight, went.value]) });
    if (said) say(said.words.join(" "));
  };
  return el("form", { onsubmit: submit }, el("p", {}, "The shot book remembers every launcher, lesson after lesson. Tick the flights that count; a flight whose g is off has a wrong speed too."),
    el("fieldset", {}, el("legend", {}, "Flights"), ...ticks.map(([row, tick, went]) => el("div", { className: "tick" }, el("label", {}, tick, ` ${row.group.name}${row.flight > 1 ? `, flight ${row.flight}` : ""}: ${row.speed} m/s${row.agrees === false ? " (g is off)" : ""}`), went))),
    el("datalist", { id: "launchers" }, ...view.launchers.map((name) => el("option", { value: name }))),
    el("div", { className: "fields" }, el("label", { htmlFor: "book-launcher" }, "Launcher", launcher), el("label", { htmlFor: "book-setting" }, "Setting", setting), el("label", { htmlFor: "book-angle" }, "Angle it was set to, degrees", angle),
      el("label", { htmlFor: "book-ball" }, "Ball, by a name of yours", ball), el("label", { htmlFor: "book-session" }, "Session, if it isn't the date", session)),
    el("details", {}, el("summary", {}, "you shot at a bucket: say where it stood"), el("p", { className: "soft" }, "From hits and misses, and where the bucket stood, the chance of the next shot is learnt."),
      el("div", { className: "fields" }, el("label", { htmlFor: "book-opening" }, "Diameter of its opening", opening), el("label", { htmlFor: "book-rim" }, "Height of its rim above the floor", rim),
        el("label", { htmlFor: "book-distance" }, "From the point under the muzzle to its centre", distance))),
    el("button", { type: "submit", className: "main" }, "record these shots"));
}

function driftPart() {
  const select = el("select", { id: "drift-launcher" }, ...view.launchers.map((name) => el("option", { value: name, selected: name === kept.launcher }, name)));
  const answer = el("div", { role: "status" });
  const check = async () => {
    kept.launcher = select.value;
    try {
      const said = await ask(`/api/class/drift?${new URLSearchParams({ launcher: select.value })}`);
      const chart = said.chart && el("img", { src: `/api/class/file/drift.svg?${onPaper({ launcher: select.value, at: view.count })}`, alt: `Control chart of ${select.value}: its shots one after the other, with the limits`, className: "on-paper" });
      answer.replaceChildren(...said.words.map((text, i) => el("p", { className: i ? "" : "verdict" }, numbers(text))), ...(chart ? [chart] : []));
    } catch (error) { answer.replaceChildren(el("p", { className: "off" }, error.message)); }
  };
  return [el("label", { htmlFor: "drift-launcher" }, "Launcher", select), el("button", { type: "button", onclick: check }, "check it"), answer];
}

function aimPart() {
  const pick = () => { const [kind, ...rest] = select.value.split(":"); aimed.group = kind === "group" ? rest.join(":") : undefined; aimed.launcher = kind === "book" ? rest.join(":") : undefined; };
  const select = el("select", { id: "aim-group", onchange: pick }, el("option", { value: "" }, "the flights of all groups"),
    ...view.groups.map((group) => el("option", { value: `group:${group.id}`, selected: group.id === aimed.group }, `the flights of ${group.name}`)),
    ...view.launchers.map((name) => el("option", { value: `book:${name}`, selected: name === aimed.launcher }, `${name}, by the shot book`)));
  return aimForm(aimed, (asked) => ask(`/api/class/aim?${onPaper()}`, asked), { ball: true, choice: el("label", { htmlFor: "aim-group" }, "For a shot like", select) });
}

function endPart() {
  const clear = () => confirm("Remove all groups, all their clips and what they measured? The shot book stays.") && change("/api/class/clear", {}, "POST", "All gone; the next class gets another code.");
  return [el("p", {}, "Ctrl-C in the terminal ends the class; the clips stay in its folder and are there again at the next start. Take the table along first."),
    el("button", { type: "button", onclick: clear }, "remove all groups and their clips")];
}

function show() {
  fill("door-body", [view.code, view.join, view.fingerprint, view.groups.length], () => [...doorPart(), el("div", { id: "locked-body", role: "status" })]);
  fill("locked-body", [view.locked_out, view.code, view.groups.length], lockedPart);
  fill("common-body", [view.common, view.launchers], commonPart);
  showList();
  const all = measured().map((row) => [row.clip, row.flight, row.speed, row.gravity, row.group.name]);
  $("together").hidden = $("book").hidden = !all.length;
  $("drift").hidden = !view.launchers.length;
  if (all.length) {
    fill("together-body", [all, dark.matches], togetherPart);
    fill("book-body", [all, view.launchers, view.common], bookPart);
  }
  fill("drift-body", view.launchers, driftPart);
  fill("aim-body", [view.groups.map((group) => [group.id, group.name]), view.launchers], aimPart);
  fill("end-body", 1, endPart);
}

async function refresh() {
  view = await ask(`/api/class?${onPaper()}`);
  show();
}

/// Follows the class for ever, through restarts of the server too.
async function watch() {
  for (;;) {
    try {
      view = await ask(`/api/class?${onPaper(view?.count ? { after: view.count } : {})}`);
      show();
    } catch (error) {
      if (error.status === 403) { location.replace("/"); return; }
      say(error.status ? error.message : "The server doesn't answer. I go on trying; nothing is lost.");
      // Its counting begins anew with the server.
      if (view) view.count = null;
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
}

dark.addEventListener("change", () => { shownKeys.delete("together-body"); if (view) show(); });
watch();
