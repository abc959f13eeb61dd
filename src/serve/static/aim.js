// Where the target goes: the same questions on the student's sheet and on the teacher's.

import { el } from "/static/marks.js";

const FIRST = [["height", "Height of the launch above the floor", "85 cm"], ["opening", "Diameter of the bucket's opening", "25 cm"],
  ["opening_height", "Height of its rim above the floor", "24 cm"]];
const MORE = [["distance", "The bucket stands already, this far from the point under the launch", "2.20 m"], ["speed", "Launch speed, if it isn't the measured one", "3.5 m/s"],
  ["angle", "Launch angle, if it isn't the measured one", "48°"], ["scatter_speed", "How the speed scatters from shot to shot (standard deviation)", "0.04 m/s"],
  ["scatter_angle", "How the angle scatters", "0.5°"], ["obstacle_distance", "Distance of something it must fly over", "1.20 m"],
  ["obstacle_height", "Its height", "60 cm"], ["ceiling", "Height of the ceiling", "2.90 m"]];

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
  return [el("p", { className: "soft" }, answer.from), ...answer.aims.flatMap(aim)];
}
