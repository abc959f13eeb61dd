// Marking places in a picture: two ends of a length, and the ball in its frame.

const NS = "http://www.w3.org/2000/svg";

export function el(tag, properties = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(properties)) {
    if (name in node && name !== "list") node[name] = value;
    else node.setAttribute(name, value);
  }
  node.append(...children.filter((child) => child !== null && child !== undefined));
  return node;
}

export function svg(tag, attributes, ...children) {
  const node = document.createElementNS(NS, tag);
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  node.append(...children);
  return node;
}

const KEYS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };

/// A canvas that shows the surroundings of a point at large, with a cross-hair on it.
function glass(canvas, image, point, cut, zoom) {
  const context = canvas.getContext("2d");
  const { width, height } = canvas;
  context.imageSmoothingEnabled = false;
  context.fillStyle = "#777";
  context.fillRect(0, 0, width, height);
  // Pixel (0, 0) is the middle of the upper left pixel.
  const left = width / 2 - (point[0] + 0.5 - cut[0]) * zoom, top = height / 2 - (point[1] + 0.5 - cut[1]) * zoom;
  context.drawImage(image, left, top, image.naturalWidth * zoom, image.naturalHeight * zoom);
  for (const [style, wide] of [["#000", 3], ["#ffd54a", 1]]) {
    context.strokeStyle = style;
    context.lineWidth = wide;
    context.beginPath();
    context.moveTo(width / 2, 0); context.lineTo(width / 2, height / 2 - 6);
    context.moveTo(width / 2, height / 2 + 6); context.lineTo(width / 2, height);
    context.moveTo(0, height / 2); context.lineTo(width / 2 - 6, height / 2);
    context.moveTo(width / 2 + 6, height / 2); context.lineTo(width, height / 2);
    context.stroke();
  }
}

/// One or two points to be dragged over a picture of a frame `size` px large; arrow keys move the point that has the focus. Between
/// two points runs a line, or a box when they are corners.
export function marks(source, size, ends, alt, { names, help, box = false }) {
  const [width, height] = size;
  const image = el("img", { src: source, alt, draggable: false });
  const shape = box ? "rect" : "line";
  const under = svg(shape, { class: "end-line under" }), line = svg(shape, { class: "end-line" });
  const rings = ends.map(() => [svg("circle", { class: "seen under" }), svg("circle", { class: "seen" })]);
  const over = svg("svg", { viewBox: `-0.5 -0.5 ${width} ${height}`, "aria-hidden": "true" }, under, line, ...rings.flat());
  const picture = el("div", { className: "picture marking" }, image, over);
  const canvas = el("canvas", { className: "glass", width: 220, height: 220, role: "img", ariaLabel: "The place you are moving, eight times as large" });
  let now = 0;
  const buttons = ends.map((_, i) => el("button", { type: "button", onfocus: () => { now = i; draw(); }, onclick: () => { now = i; draw(); }, onkeydown: key }));
  function draw() {
    const [a, b] = [ends[0], ends.at(-1)];
    const places = box ? { x: Math.min(a[0], b[0]), y: Math.min(a[1], b[1]), width: Math.abs(a[0] - b[0]), height: Math.abs(a[1] - b[1]) } : { x1: a[0], y1: a[1], x2: b[0], y2: b[1] };
    for (const one of [under, line]) for (const [name, value] of Object.entries(places)) one.setAttribute(name, value);
    rings.forEach((pair, i) => pair.forEach((ring) => {
      ring.setAttribute("cx", ends[i][0]); ring.setAttribute("cy", ends[i][1]); ring.setAttribute("r", width / 60);
      ring.classList.toggle("now", i === now && ring === pair[1]);
    }));
    buttons.forEach((button, i) => { button.textContent = `${names[i]}: ${ends[i][0].toFixed(0)}, ${ends[i][1].toFixed(0)}`; button.setAttribute("aria-pressed", String(i === now)); });
    // The picture may be a smaller copy of the frame.
    const small = image.naturalWidth / width;
    if (small) glass(canvas, image, ends[now].map((at) => (at + 0.5) * small - 0.5), [0, 0], 8);
  }
  function move(x, y) {
    ends[now] = [Math.min(width - 1, Math.max(0, x)), Math.min(height - 1, Math.max(0, y))];
    draw();
  }
  function key(event) {
    const way = KEYS[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
    move(ends[now][0] + way[0] * step, ends[now][1] + way[1] * step);
  }
  const at = (event) => {
    const box = picture.getBoundingClientRect();
    return [((event.clientX - box.left) / box.width) * width - 0.5, ((event.clientY - box.top) / box.height) * height - 0.5];
  };
  picture.addEventListener("pointerdown", (event) => {
    const place = at(event);
    const far = ends.map((end) => Math.hypot(end[0] - place[0], end[1] - place[1]));
    now = far.indexOf(Math.min(...far));
    picture.setPointerCapture(event.pointerId);
    move(...place);
  });
  picture.addEventListener("pointermove", (event) => { if (picture.hasPointerCapture(event.pointerId)) move(...at(event)); });
  image.addEventListener("load", draw);
  draw();
  return el("div", {}, picture, el("div", { className: "row" }, canvas, el("div", {}, ...buttons.map((b) => el("p", {}, b)),
    el("p", { className: "soft" }, `${help} Arrow keys move it by one pixel, with Shift by ten.`))));
}

/// The ball in its frame at large, once there is a picture of it (`source`, else null): drag at a tenth of the finger's way, arrow keys by a tenth of a pixel.
export function crossHair(source, cut, at, told) {
  const canvas = el("canvas", { className: "marking", width: 480, height: 360, tabIndex: 0, role: "application",
    ariaLabel: "The ball at large with a cross-hair. Arrow keys move the cross by a tenth of a pixel, with Shift by a whole one." });
  const image = el("img", { alt: "" });
  const zoom = 12;
  const draw = () => { if (image.naturalWidth) glass(canvas, image, at, cut, zoom); told(at); };
  image.addEventListener("load", draw);
  image.addEventListener("error", () => told(null));
  // A frame that isn't there isn't asked for.
  if (source) image.src = source;
  else told(null);
  canvas.addEventListener("keydown", (event) => {
    const way = KEYS[event.key];
    if (!way) return;
    event.preventDefault();
    const step = event.shiftKey ? 1 : 0.1;
    at[0] += way[0] * step; at[1] += way[1] * step;
    draw();
  });
  let last = null;
  canvas.addEventListener("pointerdown", (event) => { last = [event.clientX, event.clientY]; canvas.setPointerCapture(event.pointerId); });
  canvas.addEventListener("pointermove", (event) => {
    if (!last || !canvas.hasPointerCapture(event.pointerId)) return;
    at[0] += (event.clientX - last[0]) / 10; at[1] += (event.clientY - last[1]) / 10;
    last = [event.clientX, event.clientY];
    draw();
  });
  canvas.addEventListener("pointerup", () => { last = null; });
  return canvas;
}
