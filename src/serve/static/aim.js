// Looking ahead, where the target goes and what is foretold of a shot: the same questions on the student's sheet and on the teacher's.

import { el } from "/static/marks.js";

const FIRST = [["height", "Height of the launch above the floor", "85 cm"], ["opening", "Diameter of the bucket's opening", "25 cm"],
  ["opening_height", "Height of its rim above the floor", "24 cm"]];
const MORE = [["distance", "The bucket stands already, this far from the point under the muzzle", "2.20 m"], ["speed", "Launch speed, if it isn't the measured one", "3.5 m/s"],
  ["angle", "Launch angle, if it isn't the measured one", "48°"], ["scatter_speed", "How the speed scatters from shot to shot (standard deviation)", "0.04 m/s"],
  ["scatter_angle", "How the angle scatters", "0.5°"], ["obstacle_distance", "Distance of something it must fly over", "1.20 m"],
  ["obstacle_height", "Its height", "60 cm"], ["ceiling", "Height of the ceiling", "2.90 m"]];

/// Fields for what is foretold of a shot, and what stands in them. `earlier` are shots to take it from: how they are asked for, and in words.
export function foretelling(stated, id, earlier) {
  const inputs = {};
  const field = (name, label, example) => {
    inputs[name] = el("input", { id: `${id}-${name}`, placeholder: example, value: stated?.[name] ?? "", autocomplete: "off" });
    return el("label", { htmlFor: inputs[name].id }, label, inputs[name]);
  };
  const speed = field("speed", "Speed", "3.5 m/s");
  const gate = [field("gate_length", "Length of ball that interrupts the gate", "20.0 mm"), field("gate_time", "For how long it was interrupted", "5.68 ms")];
  const rest = [field("angle", "Angle above the horizontal", "48°"), field("height", "Height of the launch above the floor", "85 cm"), field("target_height", "Height of the target, if it isn't the floor", "25 cm")];
  const asked = stated?.like ? JSON.stringify(stated.like) : "";
  const likes = earlier.map(([like, words]) => [JSON.stringify(like), words]);
  // What was foretold stays, though the clip it was taken from may be gone.
  if (asked && !likes.some(([like]) => like === asked)) likes.push([asked, stated.known?.note ?? "an earlier shot"]);
  const show = () => { speed.hidden = from.value !== ""; for (const one of gate) one.hidden = from.value !== "gate"; };
  const from = el("select", { id: `${id}-from`, onchange: show }, el("option", { value: "" }, "a speed that I type"), el("option", { value: "gate" }, "a timing gate"),
    ...likes.map(([like, words]) => el("option", { value: like }, words)));
  from.value = asked || (stated?.gate_time ? "gate" : "");
  show();
  const value = () => {
    const text = Object.fromEntries(Object.entries(inputs).map(([name, input]) => [name, input.closest("label").hidden ? "" : input.value.trim()]));
    return { ...text, like: from.value && from.value !== "gate" ? JSON.parse(from.value) : null };
  };
  return { value, nodes: [el("label", { htmlFor: from.id }, "Foretold by", from), el("div", { className: "fields" }, speed, ...gate, ...rest)] };
}

/// A form whose answer `ask(asked)` brings; `choice` is put before the fields. What was typed is kept in `typed` over new drawings.
export function aimForm(typed, ask, { choice = null, ball = false } = {}) {
  const field = ([name, label, example]) => el("label", { htmlFor: `aim-${name}` }, label,
    el("input", { id: `aim-${name}`, placeholder: example, value: typed[name] ?? "", autocomplete: "off", oninput: (event) => { typed[name] = event.target.value; } }));
  const ring = el("select", { id: "aim-ring", onchange: () => { typed.ring = ring.value === "ring"; } },
    el("option", { value: "cup" }, "a bucket: the ball may touch its wall inside"), el("option", { value: "ring", selected: Boolean(typed.ring) }, "a ring: the ball must go through clear of it"));
  const answer = el("div", { role: "status", className: "aim-answer" });
  const form = el("form", { onsubmit: async (event) => {
    event.preventDefault();
    try { answer.replaceChildren(...told(await ask(typed))); } catch (error) { answer.replaceChildren(el("p", { className: "off" }, error.message)); }
  } }, choice, el("div", { className: "fields" }, ...FIRST.map(field), ball ? field(["ball_diameter", "Diameter of the ball", "70 mm"]) : null),
  el("label", { htmlFor: "aim-ring" }, "What is to be hit", ring),
  el("details", {}, el("summary", {}, "more to say"), el("div", { className: "fields" }, ...MORE.map(field))),
  el("button", { type: "submit", className: "main" }, "where does it go?"));
  return el("div", {}, form, answer);
}

function told(answer) {
  const aim = (one) => [el("p", { className: "instruction" }, one.instruction),
    el("dl", {}, ...one.rows.map(([name, value]) => el("div", { className: "answer" }, el("dt", {}, name), el("dd", {}, value)))),
    ...one.words.map((text) => el("p", {}, text))];
  // The graph is a picture of its own: the policy of the page lets no text become markup.
  const address = answer.graph && URL.createObjectURL(new Blob([answer.graph], { type: "image/svg+xml" }));
  const graph = address && el("figure", {}, el("img", { src: address, className: "on-paper", onload: () => URL.revokeObjectURL(address),
    alt: "The chance of a hit at each launch angle: certainly in, and with the centre inside the opening" }));
  return [el("p", { className: "soft" }, answer.from), ...answer.aims.flatMap(aim), answer.best && el("p", {}, answer.best), graph,
    el("ul", { className: "caution" }, ...answer.cautions.map((text) => el("li", {}, text)))].filter(Boolean);
}
