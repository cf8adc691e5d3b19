// A photo close up: enlarged about a point, dragged, or shown where a sign was seen. The picture is the SVG's window.
import { all, one } from "./finding.js";

const MOST = 10;
const ROOM = 2.6; // how much more than a sign's box is shown
const STEP = 1.5;

const svgShown = () => one(".shot.shown svg");
const whole = (svg) => [0, 0, Number(svg.dataset.w), Number(svg.dataset.h)];
const windowOf = (svg) => svg.getAttribute("viewBox").split(" ").map(Number);
const setWindow = (svg, [x, y, w, h]) => {
  const [, , fullW, fullH] = whole(svg);
  const [width, height] = [Math.min(w, fullW), Math.min(h, fullH)];
  const [left, top] = [Math.min(Math.max(x, 0), fullW - width), Math.min(Math.max(y, 0), fullH - height)];
  svg.setAttribute("viewBox", `${left} ${top} ${width} ${height}`);
  svg.classList.toggle("enlarged", width < 0.7 * fullW);
};

export const isOn = () => document.body.classList.contains("close-up");
const sharpen = () => all(".shot.shown image").forEach((image) => image.setAttribute("href", image.dataset.close));

export const reset = () => all(".shot svg").forEach((svg) => setWindow(svg, whole(svg)));
export const turn = (on) => {
  document.body.classList.toggle("close-up", on);
  reset();
  if (on) sharpen();
};
export const refresh = () => { reset(); if (isOn()) sharpen(); };

// Enlarge (above 1) or shrink about a point of the photo, its middle if none is named.
export const enlarge = (by, at) => {
  const svg = svgShown();
  if (!svg || !isOn()) return;
  const [x, y, w, h] = windowOf(svg);
  const [, , fullW, fullH] = whole(svg);
  const width = Math.min(Math.max(w / by, fullW / MOST), fullW);
  const height = width * fullH / fullW;
  const [px, py] = at ?? [x + w / 2, y + h / 2];
  setWindow(svg, [px - (px - x) * width / w, py - (py - y) * height / h, width, height]);
};

// Show a box `x,y,w,h` with what is round it.
export const showBox = (text) => {
  const svg = svgShown();
  if (!svg || !text || !isOn()) return;
  const [x, y, w, h] = text.split(",").map(Number);
  const [, , fullW, fullH] = whole(svg);
  const share = Math.min(1, Math.max(ROOM * Math.max(w / fullW, h / fullH), 1 / MOST));
  setWindow(svg, [x + w / 2 - share * fullW / 2, y + h / 2 - share * fullH / 2, share * fullW, share * fullH]);
};

export const at = (svg, event) => {
  const point = new DOMPoint(event.clientX, event.clientY).matrixTransform(svg.getScreenCTM().inverse());
  return [Math.min(Math.max(point.x, 0), Number(svg.dataset.w)), Math.min(Math.max(point.y, 0), Number(svg.dataset.h))];
};

export const byKey = (key) => {
  if (!isOn()) return false;
  if (key === "+" || key === "=") enlarge(STEP);
  else if (key === "-") enlarge(1 / STEP);
  else if (key === "0") reset();
  else return false;
  return true;
};

document.addEventListener("wheel", (event) => {
  const svg = event.target.closest?.(".shot svg");
  if (!svg || !isOn() || event.ctrlKey) return;
  event.preventDefault();
  enlarge(Math.exp(-event.deltaY / 400), at(svg, event));
}, { passive: false });

// A drag moves an enlarged photo; a press without one opens the close-up, or closes it.
let drag = null;
export const press = (svg, event) => { drag = { svg, from: at(svg, event), x: event.clientX, y: event.clientY, moved: false }; };
document.addEventListener("pointermove", (event) => {
  if (!drag) return;
  if (Math.hypot(event.clientX - drag.x, event.clientY - drag.y) > 6) drag.moved = true;
  if (!drag.moved || !isOn()) return;
  const [x, y, w, h] = windowOf(drag.svg);
  const now = new DOMPoint(event.clientX, event.clientY).matrixTransform(drag.svg.getScreenCTM().inverse());
  setWindow(drag.svg, [x + drag.from[0] - now.x, y + drag.from[1] - now.y, w, h]);
});
document.addEventListener("pointerup", () => {
  if (drag && !drag.moved) turn(!isOn());
  drag = null;
});
document.addEventListener("pointercancel", () => { drag = null; });
