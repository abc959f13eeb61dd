// The student's sheet: asks the server what is known, and shows it from top to bottom.

import { aimForm, foretelling } from "/static/aim.js";
import { $, ask, comma, dark, fill, numbers, onPaper, options, say, shownKeys } from "/static/common.js";
import { crossHair, el, marks, svg } from "/static/marks.js";

const groupQuery = location.pathname.startsWith("/group/") ? `group=${location.pathname.split("/")[2]}` : "";
let sheet = null, view = null, chosen = null, busy = false, follow = 0;

const of = (path) => `/api/clips/${chosen}/${path}`;

/// Changes something, one change at a time, and shows what came of it.
async function change(path, body, method = "POST") {
  if (busy) return;
  busy = true;
  try {
    await ask(path, body, method);
    await refresh();
  } catch (error) {
    say(error.message);
    if (error.status === 409) await refresh();
  } finally { busy = false; }
}

const setUp = (part, what) => change(of("setup"), { step: view.step, setup: { ...view.setup, ...part }, what });
const mend = (what) => change(of("mend"), { step: view.step, change: what });

async function refresh() {
  if (!chosen) return show();
  view = await ask(`/api/clips/${chosen}?${options()}`);
  show();
}

/// Waits for the server to have something new; goes on for ever, through restarts of the server too.
async function watch() {
  const mine = ++follow;
  while (mine === follow && chosen) {
    try {
      const next = await ask(`/api/clips/${chosen}?${options({ after: view?.count ?? 0 })}`);
      if (mine !== follow) return;
      if (next.count !== view?.count && !busy) { view = next; show(); }
      if (busy) await new Promise((done) => setTimeout(done, 200));
    } catch (error) {
      if (error.status === 403) { location.reload(); return; }
      if (error.status === 404) { chosen = null; view = null; await begin(); return; }
      say("The server doesn't answer. I go on trying; nothing is lost.");
      await new Promise((done) => setTimeout(done, 1500));
    }
  }
}

function choose(id) {
  chosen = id; view = null; shownKeys.clear();
  picked = null;
  Object.assign(shown, { at: 0, point: null, corners: null, times: [null, null] });
  unfolded.clear();
  history.replaceState(null, "", `#${id}`);
  refresh().then(watch).catch((error) => say(error.message));
}

function send(file) {
  if (file.size > sheet.upload_bytes) {
    say(`This file is larger than the ${Math.floor(sheet.upload_bytes / 1e6)} MB there is room for. Cut the clip on the phone to the few seconds around the shot.`);
    return;
  }
  const bar = el("progress", { max: 1, value: 0, ariaLabel: "Sending the clip" });
  const stop = el("button", { type: "button" }, "cancel");
  const request = new XMLHttpRequest();
  shownKeys.delete("film-body");
  $("film-body").replaceChildren(el("p", {}, `Sending ${file.name} …`), bar, el("p", {}, stop));
  stop.onclick = () => request.abort();
  request.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = event.loaded / event.total; };
  request.onloadend = async () => {
    let answer = {};
    try { answer = JSON.parse(request.responseText); } catch { /* The connection was cut. */ }
    await begin(answer.id);
    if (!answer.id) say(answer.message ? `${answer.message} ${answer.hint}` : "The clip didn't arrive. Send it again.");
  };
  request.open("POST", `/api/clips?${new URLSearchParams({ name: file.name })}${groupQuery && "&" + groupQuery}`);
  request.send(file);
}

function filmPart() {
  const input = el("input", { type: "file", accept: "video/*", id: "clip-input", onchange: () => input.files[0] && send(input.files[0]) });
  const drop = el("div", { className: "drop" }, el("label", { htmlFor: "clip-input" }, view ? "Another clip: drop it here, or choose it." : "Drop the clip here, or choose it."), input);
  drop.ondragover = (event) => { event.preventDefault(); drop.classList.add("over"); };
  drop.ondragleave = () => drop.classList.remove("over");
  drop.ondrop = (event) => { event.preventDefault(); drop.classList.remove("over"); if (event.dataTransfer.files[0]) send(event.dataTransfer.files[0]); };
  const parts = [];
  if (sheet.recordings.length > 1) {
    const select = el("select", { onchange: () => choose(select.value) }, ...sheet.recordings.map((one, i) => el("option", { value: one.id, selected: one.id === chosen }, `${i + 1}. ${one.name}`)));
    parts.push(el("label", {}, "Your clips: ", select));
  }
  if (!view) return [...parts, drop];
  const { look, stage } = view;
  if (stage.kind === "looking") parts.push(el("p", {}, stage.ahead ? `${view.name} is here. ${stage.ahead} other clips are looked at first.` : `${view.name} is here. I take a first look at it.`));
  if (stage.kind === "refused") parts.push(el("p", { className: "off" }, `${view.name}: ${stage.failure.message}`), el("p", {}, stage.failure.hint));
  if (look) {
    const rate = look.stated_rate_hz ? `, ${numbers(String(+look.stated_rate_hz.toFixed(2)))} frames per second as stored` : "";
    const count = look.frames ? `, ${look.frames} frames` : "";
    parts.push(el("p", {}, `${view.name}: ${look.width} × ${look.height} pixels${rate}${count}, ${view.megabytes} MB.`));
    if (look.capture_rate_tag_hz) parts.push(el("p", {}, `The phone wrote into it that it was recorded at ${numbers(String(+look.capture_rate_tag_hz.toFixed(2)))} frames per second.`));
    if (view.result) parts.push(el("p", { className: "soft" }, `Clock: ${numbers(view.result.clock)}`));
    else parts.push(el("img", { src: of("still"), alt: "The first picture of your clip" }));
  }
  parts.push(el("div", { className: "row" }, el("button", { type: "button", onclick: removeClip }, "remove this clip")), drop);
  return parts;
}

async function removeClip() {
  if (!confirm("Remove this clip and all that came of it?")) return;
  try { await ask(`/api/clips/${chosen}`, undefined, "DELETE"); } catch (error) { say(error.message); }
  chosen = null; view = null; follow++;
  await begin();
}

/// Whether nothing tells yet how long anything is.
const wantsScale = () => view.stage.kind === "scale" || (view.stage.kind === "failed" && view.stage.failure.kind === "no_scale");

function scalePart() {
  const { look, setup, stage, result } = view;
  const cards = look.cards.map((card) => card.name).join(" and ");
  const by_itself = "I take the scale from the ball, whose size is stated. A longer length, marked in the picture, makes every answer better.";
  const known = setup.length ? `You marked a length of ${setup.length.length}.` : cards && !setup.ignore_cards ? `Found by itself: ${cards}. ✓` : wantsScale() ? null : by_itself;
  const { width: w, height: h } = look;
  const ends = setup.length ? [[...setup.length.from], [...setup.length.to]] : [[Math.round(w * 0.35), Math.round(h * 0.6)], [Math.round(w * 0.65), Math.round(h * 0.6)]];
  const length = el("input", { id: "length", placeholder: "30 cm", value: setup.length?.length ?? "", autocomplete: "off", inputMode: "text" });
  const form = el("form", { onsubmit: (event) => { event.preventDefault(); setUp({ length: { from: ends[0], to: ends[1], length: length.value }, ignore_cards: Boolean(cards) }, "marked a length"); } },
    el("p", {}, "Find something in the picture whose length you know, as far from the phone as the ball flew: a ruler, a door, a batten."),
    marks(of("still"), [w, h], ends, "The first picture of your clip, to mark the two ends of a length in", { names: ["First end", "Second end"], help: "Drag each end onto an end of the length." }),
    el("label", { htmlFor: "length" }, "How long is it? Write the unit too.", length),
    el("button", { type: "submit", className: "main" }, "this is how long it is"));
  const parts = [known ? el("p", { className: "good" }, known) : null, result ? el("p", { className: "soft" }, numbers(result.scale)) : null];
  parts.push(known ? el("details", {}, el("summary", {}, setup.length ? "mark it again" : "mark a length instead"), form) : form);
  if (stage.kind === "scale") parts.push(el("p", {}, el("button", { type: "button", onclick: () => change(of("again")) }, "a printed scale card is in view: look for it")));
  parts.push(plumbPart(), morePart());
  return parts;
}

function plumbPart() {
  const { look: { width: w, height: h }, setup } = view;
  const ends = setup.plumb ? setup.plumb.map((end) => [...end]) : [[Math.round(w * 0.5), Math.round(h * 0.25)], [Math.round(w * 0.5), Math.round(h * 0.75)]];
  const form = el("form", { onsubmit: (event) => { event.preventDefault(); setUp({ plumb: ends }, "marked a plumb line"); } },
    el("p", {}, "Something that hangs or stands upright tells whether the phone was tilted: a thread with a weight, a door frame, a corner of the room."),
    marks(of("still"), [w, h], ends, "The first picture of your clip, to mark an upright line in", { names: ["Upper end", "Lower end"], help: "Drag the ends onto the upright line, as far apart as you can." }),
    el("button", { type: "submit" }, "this is upright"), setup.plumb ? el("button", { type: "button", onclick: () => setUp({ plumb: null }, "took the upright line back") }, "take it back") : null);
  return el("details", { id: "plumb" }, el("summary", {}, setup.plumb ? "You marked an upright line: mark it again" : "Is something upright in view?"), form);
}

/// Where the ball is, when it wasn't found: by a point in one frame, by a part of the picture, by a time.
const shown = { at: 0, point: null, corners: null, times: [null, null] };
const lost = () => view.stage.kind === "failed" && view.stage.failure.kind === "no_flight";
const helped = () => view.setup.ball_at || view.setup.region || view.setup.window_s;

function showPart() {
  if (!lost() && !helped()) return [];
  const { peek, setup } = view;
  const told = [setup.ball_at ? `You showed me the ball in frame ${setup.ball_at.frame}.` : null, setup.region ? "I look in a part of the picture only." : null,
    setup.window_s ? `I look from ${numbers(setup.window_s[0].toFixed(2))} s to ${numbers(setup.window_s[1].toFixed(2))} s only.` : null].filter(Boolean).join(" ");
  const forget = helped() ? [el("p", {}, told), el("button", { type: "button", onclick: () => setUp({ ball_at: null, region: null, window_s: null }, "let me look everywhere") }, "look everywhere again")] : [];
  const begin = (words) => el("button", { type: "button", className: "main", onclick: () => change(of("peek"), { around: null }) }, words);
  if (!lost()) return forget;
  if (!peek || peek.state === "none") return [el("h3", {}, "Show me the ball"), el("p", {}, "If you can see it in the clip, show it to me once; then I know what to look for."), ...forget, el("p", {}, begin("show me the frames"))];
  if (peek.state === "making") return [el("h3", {}, "Show me the ball"), el("p", { role: "status" }, "The frames are being made ready …")];
  if (peek.state === "failed" || !peek.frames.length) return [el("h3", {}, "Show me the ball"), el("p", { className: "off" }, "The frames couldn't be made ready."), begin("try again")];
  shown.at = Math.min(shown.at, peek.frames.length - 1);
  const again = () => { shownKeys.delete("show-body"); show(); };
  const [frame, time] = peek.frames[shown.at];
  const words = `Frame ${frame}${time === null ? "" : `, ${numbers(time.toFixed(2))} s`}`;
  const slider = el("input", { type: "range", id: "peek-at", min: 0, max: peek.frames.length - 1, value: shown.at, onchange: () => { shown.at = Number(slider.value); again(); $("peek-at").focus(); } });
  const step = (by, text) => el("button", { type: "button", disabled: !peek.frames[shown.at + by], onclick: () => { shown.at += by; again(); } }, text);
  const whole = peek.frames[0][0] === 0 && peek.frames.at(-1)[0] + 1 >= (view.look.frames ?? Infinity);
  const closer = whole && peek.step === 1 ? null : peek.step > 1 ? el("button", { type: "button", onclick: () => { shown.at = 75; change(of("peek"), { around: frame }); } }, "every frame around this one") : begin("all over the clip");
  if (closer) closer.className = "";
  const { width: w, height: h } = view.look;
  const from = of(`peek/${frame}`);
  shown.point ??= [w / 2, h / 2];
  shown.corners ??= setup.region?.map((corner) => [...corner]) ?? [[w * 0.1, h * 0.1], [w * 0.9, h * 0.9]];
  const window_s = shown.times.every((one) => one !== null) && shown.times[0] < shown.times[1] ? shown.times : null;
  const at = (index, text) => el("button", { type: "button", disabled: time === null, onclick: () => { shown.times[index] = time; again(); } }, shown.times[index] === null ? text : `${text} (${numbers(shown.times[index].toFixed(2))} s)`);
  return [el("h3", {}, "Show me the ball"), ...forget, el("p", {}, "Go to a frame in which you see it fly, and put the cross on it."),
    el("label", { htmlFor: "peek-at" }, words, slider), el("div", { className: "row" }, step(-1, "◀ before"), step(1, "next ▶"), closer),
    marks(from, [w, h], [shown.point], `${words} of your clip`, { names: ["The ball"], help: "Drag the cross onto the ball." }),
    el("button", { type: "button", className: "main", onclick: () => setUp({ ball_at: { frame, at: shown.point } }, `showed the ball in frame ${frame}`) }, "the ball is here"),
    el("details", { id: "part", open: Boolean(setup.region), ontoggle: (event) => { shown.part = event.target.open; } }, el("summary", {}, "or look in a part of the picture only"),
      marks(from, [w, h], shown.corners, `${words} of your clip, to mark a part in`, { names: ["One corner", "The other corner"], help: "Drag the corners so that the whole flight lies inside, and whoever moves about outside.", box: true }),
      el("button", { type: "button", onclick: () => setUp({ region: shown.corners }, "marked where to look") }, "look only in here")),
    el("details", { id: "times", open: shown.times.some((one) => one !== null) }, el("summary", {}, "or at a part of the clip only"), el("p", {}, "Go to the frame with the slider, then press."),
      el("div", { className: "row" }, at(0, "the flight begins here"), at(1, "it has ended here")),
      el("button", { type: "button", disabled: !window_s, onclick: () => setUp({ window_s }, "marked when to look") }, "look only between them"))];
}

const FIELDS = [["ball_diameter", "Diameter of the ball", "70 mm"], ["ball_mass", "Mass of the ball", "13 g"],
  ["camera_distance", "Phone to the flight, straight across", "3.00 m"], ["scale_offset", "How much nearer to the phone the length is than the ball", "0 cm"]];

function morePart() {
  const inputs = FIELDS.map(([name, label, example]) => [name, label, el("input", { placeholder: example, value: view.setup[name] ?? "", id: name })]);
  const rate = el("input", { placeholder: "240", value: view.setup.capture_rate_hz ?? "", id: "capture_rate", inputMode: "decimal" });
  const submit = (event) => {
    event.preventDefault();
    const typed = Object.fromEntries(inputs.map(([name, , input]) => [name, input.value.trim() || null]));
    const hertz = rate.value.trim() ? Number(rate.value.replace(",", ".")) : null;
    if (Number.isNaN(hertz)) { say("The frame rate is a number, such as 240."); rate.focus(); return; }
    setUp({ ...typed, capture_rate_hz: hertz }, "stated more");
  };
  return el("details", { id: "more" }, el("summary", {}, "What else do you know?"),
    el("form", { onsubmit: submit }, el("p", { className: "soft" }, "Each of these makes the answer better. Leave out what you don't know."),
      el("div", { className: "fields" }, ...inputs.map(([name, label, input]) => el("label", { htmlFor: name }, label, input)),
        el("label", { htmlFor: "capture_rate" }, "Frames per second that the phone recorded, for slow motion", rate)),
      el("button", { type: "submit" }, "use this")));
}

function waitPart() {
  const { stage, trouble } = view;
  const again = () => el("button", { type: "button", className: "main", onclick: () => change(of("again")) }, "measure it again");
  const stop = () => el("button", { type: "button", onclick: () => change(of("cancel")) }, "cancel");
  switch (stage.kind) {
    case "waiting": return [el("p", {}, stage.ahead ? `In the queue: ${stage.ahead} before you.` : "You are next."), stop()];
    case "working": return [el("p", { id: "doing" }, stage.words), el("progress", { max: 1, ...(stage.done === null ? {} : { value: stage.done }), ariaLabel: "How far the measuring is" }), el("p", {}, stop())];
    case "cancelled": return [el("p", {}, "You stopped it."), again()];
    case "failed": return [el("p", { className: "off" }, stage.failure.message), el("p", {}, stage.failure.hint), again()];
    default: return trouble ? [el("p", { className: "off" }, trouble.message), el("p", {}, trouble.hint)] : [];
  }
}

const NAMES = { speed: "launch speed", angle: "launch angle", g: "gravity, g" };

const unfolded = new Map();

/// The same for each flight; with several, one is open and the others wait under their headings.
function each(part, make) {
  const { flights } = view.result;
  if (flights.length === 1) return make(flights[0]);
  return flights.map((flight) => {
    const key = `${part} ${flight.number}`;
    const value = (name) => { const one = flight.answers.find((answer) => answer.name === name); return `${one.value} ${one.unit}`; };
    const mark = flight.agrees === true ? " ✓" : flight.agrees === false ? " ✗" : "";
    const fold = el("details", { open: unfolded.get(key) ?? flight === flights[0], ontoggle: () => unfolded.set(key, fold.open) },
      el("summary", {}, `Flight ${flight.number}: ${value("speed")}, g = ${value("g")}${mark}`), ...[make(flight)].flat(3).filter(Boolean));
    return fold;
  });
}

function answersPart() {
  const parts = [each("answers", (flight) => {
    const parts = [];
    parts.push(el("dl", {}, ...flight.answers.map((one) => el("div", { className: "answer" }, el("dt", {}, NAMES[one.name]),
      el("dd", {}, el("span", { className: "number" }, `${one.value} ${one.unit}`), one.before ? el("span", { className: "before" }, `  before: ${one.before}`) : null)))));
    const mark = flight.agrees === true ? "✓ " : flight.agrees === false ? "✗ " : "";
    parts.push(el("p", { className: flight.agrees ? "good" : "off" }, mark + numbers(flight.summary)));
    flight.reasons.forEach((reason) => parts.push(el("p", {}, numbers(reason.text), " ", ...reason.remedies.map((remedy) => remedyButton(remedy.change, flight)))));
    if (flight.fits.length) parts.push(fitsPart(flight));
    return parts;
  })];
  parts.push(el("p", { className: "soft" }, "± is the 95 % interval: in 95 of 100 such measurements the true value lies inside."));
  const notes = view.result.warnings.map((warning) => el("p", { className: "soft" }, numbers(warning)));
  if (notes.length > 2) parts.push(el("details", { id: "notes" }, el("summary", {}, `${notes.length} notes on how it was measured`), ...notes));
  else parts.push(...notes);
  return parts;
}

/// g found from the fall, and g taken as given: the same sightings fitted twice.
function fitsPart(flight) {
  const head = ["", "g free", "g given"].map((text) => { const node = el("th", {}, text); node.scope = "col"; return node; });
  const row = ([name, ...values]) => { const first = el("th", {}, name); first.scope = "row"; return el("tr", {}, first, ...values.map((text) => el("td", {}, text))); };
  return el("details", { id: `fits-${flight.number}` }, el("summary", {}, "the same with g taken as given"),
    el("table", { className: "fits" }, el("thead", {}, el("tr", {}, ...head)), el("tbody", {}, ...flight.fits.map(row))),
    el("p", { className: "soft" }, "With g given, what is known of scale and clock gives way to the fall."));
}

function remedyButton(remedy, flight) {
  const button = (text, act) => el("button", { type: "button", onclick: act }, text);
  const open = (details, first) => { $(details).open = true; $(details).scrollIntoView({ block: "start" }); (first ? $(first) : $(details).querySelector("button")).focus(); };
  if (remedy === "state_ball") return button("state the ball's diameter and mass", () => open("more", "ball_diameter"));
  if (remedy === "state_distances") return button("state the distances", () => open("more", "camera_distance"));
  if (remedy === "mark_plumb_line") return button("mark something upright", () => open("plumb"));
  if (remedy.capture_rate_hz) return button(`it was recorded at ${numbers(String(remedy.capture_rate_hz))} frames per second`, () => setUp({ capture_rate_hz: remedy.capture_rate_hz }, `stated ${remedy.capture_rate_hz} frames per second`));
  const rows = flight.sightings.map((one) => one.frame);
  const sightings = (count) => (count === 1 ? "sighting" : `${count} sightings`);
  if (remedy.leave_out_first) return button(`leave out the first ${sightings(remedy.leave_out_first)}`, () => mend({ drop: rows.slice(0, remedy.leave_out_first) }));
  if (remedy.leave_out_last) return button(`leave out the last ${sightings(remedy.leave_out_last)}`, () => mend({ drop: rows.slice(-remedy.leave_out_last) }));
  const typed = view.setup.length?.length.replace(",", ".").match(/^\s*([\d.]+)\s*(.*)$/);
  if (remedy.length_times && typed) {
    const length = `${+(typed[1] * remedy.length_times).toPrecision(4)} ${typed[2]}`;
    return button(`the length is ${numbers(length)}`, () => setUp({ length: { ...view.setup.length, length } }, `stated ${length}`));
  }
  return null;
}

let picked = null;

function all(flight) {
  const rows = [...flight.sightings.map((one) => ({ ...one, dropped: false })), ...flight.dropped.map((one) => ({ ...one, dropped: true }))];
  return rows.sort((a, b) => a.frame - b.frame);
}

function pick(flight, frame) {
  picked = { flight, frame };
  shownKeys.delete("mend-body");
  show();
}

function strobePart() {
  const { size: [width, height] } = view.result;
  return [el("h3", {}, "What was seen"), each("strobe", (flight) => {
    const rows = all(flight);
    const rings = rows.flatMap((one) => ["seen under", "seen"].map((name) => svg("circle", { class: name + (one.used && !one.dropped ? "" : " out"), cx: one.x, cy: one.y, r: one.radius + 3, "data-frame": one.frame })));
    const over = svg("svg", { viewBox: `-0.5 -0.5 ${width} ${height}`, "aria-hidden": "true" }, ...rings);
    const used = flight.sightings.filter((one) => one.used).length;
    const alt = `Strobe picture: the ball of each frame on its path. ${used} sightings are used.`;
    const picture = el("div", { className: "picture wide" }, el("img", { src: of(`picture/strobe-${flight.number}.png?${options({ step: view.step })}`), alt }), over);
    picture.onclick = (event) => {
      const box = picture.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width) * width, y = ((event.clientY - box.top) / box.height) * height;
      const far = (one) => Math.hypot(one.x - x, one.y - y);
      pick(flight.number, rows.reduce((best, one) => (far(one) < far(best) ? one : best)).frame);
    };
    const select = el("select", { onchange: () => pick(flight.number, Number(select.value)) }, el("option", { value: "" }, "choose a sighting"),
      ...rows.map((one) => el("option", { value: one.frame }, `frame ${one.frame}, ${one.time} s${one.dropped ? ", left out by you" : one.used ? "" : ", left out by the fit"}${one.by_hand ? ", placed by you" : ""}`)));
    return [el("p", {}, `${used} sightings; they miss the curve by ${flight.residual} mm. Touch one to look at it in its frame.`), picture,
      el("label", {}, "Or choose it here: ", select), ...flight.beside.map((text) => el("p", { className: "soft" }, text))];
  })];
}

function mendPart() {
  if (!picked) return [];
  const flight = view.result.flights.find((one) => one.number === picked.flight) ?? view.result.flights[0];
  const { frames } = view.result;
  const one = all(flight).find((row) => row.frame === picked.frame);
  const path = flight.path_px, rows = flight.sightings;
  // Where nothing was seen the cross begins between its neighbours.
  const before = rows.filter((row) => row.frame < picked.frame).at(-1) ?? rows[0], after = rows.find((row) => row.frame > picked.frame) ?? rows.at(-1);
  const share = after.frame === before.frame ? 0 : (picked.frame - before.frame) / (after.frame - before.frame);
  const at = one ? [one.x, one.y] : [before.x + share * (after.x - before.x), before.y + share * (after.y - before.y)];
  const where = el("p", { className: "soft" });
  const told = (place) => { where.textContent = place ? `x ${numbers(place[0].toFixed(1))}, y ${numbers(place[1].toFixed(1))} px` : "This frame is being made ready, or wasn't kept."; };
  const ready = frames?.ready && frames.ranges.some(([first, last]) => first <= picked.frame && picked.frame <= last);
  const canvas = crossHair(ready ? of(`frame/${picked.frame}`) : null, frames?.cut ?? [0, 0], at, told);
  const step = (by) => el("button", { type: "button", onclick: () => pick(flight.number, picked.frame + by) }, by < 0 ? "◀ frame before" : "next frame ▶");
  const keep = el("button", { type: "button", className: "main", onclick: () => mend({ place: { frame: picked.frame, at } }) }, one ? "the ball is here" : "add one here");
  const drop = one && !one.dropped ? el("button", { type: "button", onclick: () => mend({ drop: [picked.frame] }) }, "not the ball") : null;
  const back = one && (one.dropped || one.by_hand) ? el("button", { type: "button", onclick: () => mend({ restore: picked.frame }) }, "put it back") : null;
  const shut = el("button", { type: "button", onclick: () => { picked = null; shownKeys.delete("mend-body"); show(); } }, "close");
  const state = !one ? "No sighting in this frame." : one.dropped ? "You left this one out." : one.by_hand ? "You placed this one." : one.used ? "Found by itself, and used." : "Found by itself; the fit leaves it out.";
  return [el("h3", {}, `Frame ${picked.frame}`), el("p", {}, state), canvas, where, path.length ? null : "", el("div", { className: "row" }, step(-1), step(1)), el("div", { className: "row" }, keep, drop, back, shut)];
}

function limitsPart() {
  return each("limits", (flight) => {
    const parts = flight.budget.slice(0, 5);
    const rest = 100 - parts.reduce((sum, one) => sum + one.percent, 0);
    if (rest >= 0.5) parts.push({ source: "all else together", percent: rest });
    if (!parts.length) return [];
    const bar = el("div", { className: "bar", role: "img", ariaLabel: parts.map((one) => `${one.source} ${one.percent.toFixed(0)} %`).join(", ") },
      ...parts.map((one, i) => { const span = el("span", { className: `b${i}` }); span.style.flexGrow = one.percent; return span; }));
    return [el("p", {}, `What limits g most: ${parts[0].source}.`), bar,
      el("ul", { className: "key" }, ...parts.map((one, i) => el("li", {}, el("i", { className: `b${i}` }), `${one.source}: ${one.percent.toFixed(0)} %`))),
      el("p", { className: "soft" }, "Shares of the variance of g. Making a small part smaller hardly helps.")];
  });
}

function forecastPart() {
  const parts = view.result.flights.filter((flight) => flight.forecast).map((flight) => el("p", {}, numbers(flight.forecast)));
  const stated = view.setup.forecast ?? sheet.forecast_for_all;
  const earlier = sheet.recordings.filter(({ id }) => id !== chosen).map(({ id, name }) => [{ clip: id }, `what ${name} showed`]);
  const fields = foretelling(stated, "f", earlier);
  const form = el("form", { onsubmit: (event) => { event.preventDefault(); setUp({ forecast: fields.value() }, "foretold the shot"); } }, ...fields.nodes, el("button", { type: "submit" }, "compare"));
  return [...parts, el("details", { open: false }, el("summary", {}, parts.length ? "change what you foretold" : "tell what you foretold"), form)];
}

const aimed = {};

function aimPart() {
  const { flights } = view.result;
  aimed.flight = flights.find((flight) => flight.number === aimed.flight)?.number ?? flights[0].number;
  aimed.ball_diameter ??= view.setup.ball_diameter ?? undefined;
  const select = el("select", { id: "aim-flight", onchange: () => { aimed.flight = Number(select.value); } }, ...flights.map((flight) => el("option", { value: flight.number, selected: flight.number === aimed.flight }, `flight ${flight.number}`)));
  const choice = flights.length > 1 ? el("label", { htmlFor: "aim-flight" }, "For a flight like", select) : null;
  return [el("p", {}, "For a shot like this one I can say where to put a bucket so that the ball lands in it."),
    el("details", {}, el("summary", {}, "place a bucket"), aimForm(aimed, (asked) => ask(of(`aim?${onPaper()}`), asked), { choice, ball: true }))];
}

function graphsPart() {
  return each("graphs", (flight) => flight.graphs.map((graph) => {
    const link = (ending) => el("a", { className: "button", href: of(`file/${graph.name}.${ending}?${onPaper()}`), download: "", ariaLabel: `${graph.title} as ${ending.toUpperCase()}` }, ending.toUpperCase());
    return el("figure", {}, el("img", { src: of(`picture/${graph.name}.graph?${options({ step: view.step })}`), alt: graph.alt, loading: "lazy" }),
      el("figcaption", {}, graph.caption), el("div", { className: "row" }, link("png"), link("svg")));
  }));
}

function takePart() {
  const link = (name, text) => el("a", { className: "button", href: of(`file/${name}?${comma ? "mark=comma" : ""}`), download: "" }, text);
  const clip = { none: () => el("button", { type: "button", onclick: () => change(of("overlay")) }, "make the clip with the path drawn in"), failed: () => el("span", {}, "The clip with the path couldn't be made."),
    making: () => el("span", {}, "The clip with the path is being made …"), ready: () => link("overlay.mp4", "clip with the path") }[view.overlay]();
  return [el("div", { className: "row" }, link("lab-sheet.pdf", "lab sheet (PDF)"), link("lab-sheet.html", "lab sheet (web page)"), link("sightings.csv", "table (CSV)"), link("notes.csv", "notes (CSV)"), link("sightings.xlsx", "table (XLSX)"),
    ...view.result.flights.map((flight) => link(`strobe-${flight.number}.png`, view.result.flights.length > 1 ? `strobe picture ${flight.number}` : "strobe picture")), link("measurement.json", "measurement file")), el("p", {}, clip)];
}

function stepsPart() {
  const walk = (way, what) => el("button", { type: "button", onclick: () => change(of(way), { step: view.step }) }, `${way}: ${what}`);
  return [view.undo ? walk("undo", view.undo) : null, view.redo ? walk("redo", view.redo) : null];
}

function show() {
  $("back").hidden = !groupQuery;
  $("title").textContent = sheet.of_class ? `${sheet.name}: ${groupQuery ? "their shot" : "your shot"}` : "Your shot";
  $("teacher").hidden = !sheet.teacher_says;
  $("teacher").textContent = sheet.teacher_says ?? "";
  fill("film-body", [chosen, sheet, view && [view.name, view.look, view.stage.kind === "looking" || view.stage.kind === "refused" ? view.stage : null, view.result?.clock]], filmPart);
  const look = view?.look, result = view?.result;
  $("scale").hidden = !look;
  $("ball").hidden = !look || (view.stage.kind === "scale" && !result);
  for (const id of ["answers", "limits", "forecast", "aim", "graphs", "take"]) $(id).hidden = !result;
  $("steps").hidden = !view;
  if (!view) return;
  if (look) {
    fill("scale-body", [chosen, look, view.setup, wantsScale(), result?.scale], scalePart);
    fill("ball-wait", [view.stage, view.trouble], waitPart);
    fill("show-body", [chosen, lost(), view.setup.ball_at, view.setup.region, view.setup.window_s, lost() || helped() ? view.peek : null], showPart);
  }
  fill("steps", [view.undo, view.redo, view.step], stepsPart);
  if (!result) { for (const id of ["strobe-body", "mend-body"]) fill(id, null, () => []); return; }
  const shownNow = [chosen, view.step, dark.matches];
  fill("answers-body", [shownNow, result.flights.map((flight) => [flight.answers, flight.summary])], answersPart);
  fill("strobe-body", [shownNow, result.flights.map((flight) => flight.sightings)], strobePart);
  fill("mend-body", [shownNow, picked, result.frames?.ready], mendPart);
  fill("limits-body", [shownNow, result.flights.map((flight) => flight.budget)], limitsPart);
  fill("forecast-body", [shownNow, view.setup.forecast, sheet.forecast_for_all, sheet.recordings, result.flights.map((flight) => flight.forecast)], forecastPart);
  fill("aim-body", [chosen, result.flights.map((flight) => flight.number), view.setup.ball_diameter], aimPart);
  fill("graphs-body", [shownNow, result.flights.map((flight) => flight.answers)], graphsPart);
  fill("take-body", [shownNow, view.overlay], takePart);
  const rings = document.querySelectorAll("#strobe-body circle");
  rings.forEach((ring) => ring.classList.toggle("now", picked !== null && ring.dataset.frame === String(picked.frame) && !ring.classList.contains("under")));
}

async function begin(id) {
  sheet = await ask(`/api/sheet?${groupQuery}`);
  const there = (wanted) => sheet.recordings.find((one) => one.id === wanted)?.id;
  const next = there(id) ?? there(chosen) ?? there(location.hash.slice(1)) ?? sheet.recordings.at(-1)?.id;
  if (next) choose(next);
  else { chosen = null; view = null; shownKeys.clear(); show(); }
}

dark.addEventListener("change", () => view && show());
document.addEventListener("keydown", (event) => {
  if (!(event.ctrlKey || event.metaKey) || event.key.toLowerCase() !== "z" || event.target.matches("input")) return;
  event.preventDefault();
  if (view && (event.shiftKey ? view.redo : view.undo)) change(of(event.shiftKey ? "redo" : "undo"), { step: view.step });
});
begin().catch((error) => say(error.message));
