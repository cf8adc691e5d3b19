// Keys, photos, trays, corrections in place, and the clock of the listing that is kept for one person.
import * as closeUp from "./close_up.js";
import { alarm, all, hint, one } from "./finding.js";
import { forgetAll, isAnythingKept, keep, post, putBack, send, sent, takeKeptWords, toTheDoor } from "./sending.js";

const desk = one("#desk");
const isMine = desk?.dataset.mine === "1";
let waitingFor = ""; // "c" or "b": the digit that comes next names a sign or a box
let pickedBox = null; // the box that may be drawn anew
let lastTouched = Date.now();

// Dark or light, kept in this browser.
one("#shade")?.addEventListener("click", () => {
  const root = document.documentElement;
  const isDark = root.dataset.shade ? root.dataset.shade === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  root.dataset.shade = isDark ? "light" : "dark";
  try { localStorage.setItem("shade", root.dataset.shade); } catch { /* not kept, then */ }
});

// What can hurt somebody needs a reason; it is asked for here, so that nobody loses their place.
const lacksReason = (form) => !one("input[name=cues]:checked", form) && form.elements.words.value.trim().length < Number(form.dataset.leastWords);

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.matches("[data-swap]") && desk) { event.preventDefault(); swap(new FormData(form, event.submitter), form.action); return; }
  if (form.dataset.leastWords && lacksReason(form)) { event.preventDefault(); one(".why", form).hidden = false; return; }
  if (form.matches("[data-send]")) { event.preventDefault(); send(form, event.submitter); }
  if (form.matches(".leave")) forgetAll();
});
document.addEventListener("input", (event) => { if (event.target.form) keep(event.target.form); });
const keptLine = one("#kept");
if (keptLine) keptLine.hidden = !isAnythingKept();
addEventListener("offline", () => alarm("There is no network. What you type is kept."));
addEventListener("online", () => alarm(""));

// Moments are UTC; here they are told by this computer's clock.
all("time[datetime]").forEach((moment) => {
  const at = new Date(moment.dateTime);
  moment.title = moment.textContent;
  moment.textContent = at.toLocaleString("en-GB", { day: "2-digit", month: "short", hour: "2-digit", minute: "2-digit" }).replace(",", "");
});

// Photos.
let shown = 0;
const show = (number) => {
  const shots = all(".shot");
  if (!shots.length) return;
  shown = (number + shots.length) % shots.length;
  shots.forEach((shot, place) => { shot.classList.toggle("shown", place === shown); shot.classList.toggle("hid", place !== shown); });
  all("[data-show]").forEach((button) => button.setAttribute("aria-pressed", String(Number(button.dataset.show) === shown)));
  closeUp.refresh();
};
const placeOf = (photo) => all(".shot").findIndex((shot) => one("image", shot)?.getAttribute("href").includes(photo));
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-show]");
  if (button) show(Number(button.dataset.show));
  const crop = event.target.closest("[data-shot-of]");
  if (crop && placeOf(crop.dataset.shotOf) >= 0) { show(placeOf(crop.dataset.shotOf)); closeUp.turn(true); closeUp.showBox(crop.dataset.box); }
  const lens = event.target.closest("[data-lens]");
  if (lens) { if (lens.dataset.lens === "close") closeUp.turn(false); else closeUp.byKey(lens.dataset.lens); }
  const glance = event.target.closest(".glance a");
  if (glance && toSign(glance.getAttribute("href").replace("#sign-", ""))) event.preventDefault();
  const box = event.target.closest("[data-wrong-box]");
  if (box && isMine) wrongBox(box.dataset.wrongBox);
});

// Corrections: sent behind the page, which then takes over its own new pieces.
const swap = async (fields, where) => {
  const form = new URLSearchParams(fields);
  form.set("form_token", desk.dataset.token);
  const goOn = await sent(where, form);
  if (!goOn) return false;
  const answer = await fetch(goOn).catch(() => null);
  const fresh = answer?.ok && new DOMParser().parseFromString(await answer.text(), "text/html");
  if (!fresh || !one("#signs", fresh)) { alarm("It is noted, but can't be shown just now.", ["Open the page again", location.pathname]); return false; }
  for (const id of ["signs", "photos"]) one(`#${id}`).replaceWith(document.adoptNode(one(`#${id}`, fresh)));
  show(shown);
  hint("Noted.");
  return true;
};
const correct = (fields) => swap(fields, `/correct/${encodeURIComponent(desk.dataset.listing)}`);
const wrongSign = (digit) => {
  const form = one(`#sign-${digit} form.correct`);
  if (!form) { hint(`There is no sign ${digit}.`); return; }
  const button = one("[data-first]", form) ?? one("button", form);
  correct({ cue: form.elements.cue.value, truly: button.value });
};
const wrongBox = async (part) => {
  const wasWrong = one(`.outline[data-part="${part}"]`)?.classList.contains("wrong");
  if (!await correct({ part_id: part })) return;
  pickedBox = wasWrong ? null : part;
  document.body.classList.toggle("drawing", Boolean(pickedBox));
  hint(pickedBox ? "Nothing there. Or draw the true box." : "Taken back.");
};
const wrongBoxByKey = (digit) => {
  const outline = one(`.shot.shown .outline[data-key="${digit}"]`);
  if (!outline) { hint(`There is no box ${digit} on this photo.`); return; }
  wrongBox(outline.dataset.part);
};

// Drawing a box.
let start = null;
let drawn = null;
const sides = (a, b) => [Math.min(a[0], b[0]), Math.min(a[1], b[1]), Math.abs(a[0] - b[0]), Math.abs(a[1] - b[1])];
document.addEventListener("pointerdown", (event) => {
  const svg = event.target.closest(".shot svg");
  if (!svg) return;
  if (!pickedBox) { closeUp.press(svg, event); return; }
  start = closeUp.at(svg, event);
  drawn = document.createElementNS("http://www.w3.org/2000/svg", "rect");
  drawn.setAttribute("class", "drawn");
  svg.append(drawn);
  svg.setPointerCapture(event.pointerId);
});
document.addEventListener("pointermove", (event) => {
  if (!start) return;
  const box = sides(start, closeUp.at(drawn.ownerSVGElement, event));
  ["x", "y", "width", "height"].forEach((name, side) => drawn.setAttribute(name, box[side]));
});
document.addEventListener("pointerup", async (event) => {
  if (!start) return;
  const box = sides(start, closeUp.at(drawn.ownerSVGElement, event));
  const part = pickedBox;
  start = pickedBox = null;
  document.body.classList.remove("drawing");
  drawn.remove();
  if (box[2] < 4 || box[3] < 4) { hint("Too small; nothing drawn."); return; }
  if (await correct({ part_id: part, box: box.map((side) => side.toFixed(1)).join(",") })) hint("The true box is noted.");
});

// Trays.
const openTray = () => one(".tray[open]");
// Not only on "toggle", which may come when somebody types already, and never away from where they type.
const enter = (tray) => { if (tray.open && !one("form", tray).contains(document.activeElement)) one("input:not([type=hidden]), textarea", tray)?.focus(); };
const open = (tray) => { tray.open = true; enter(tray); };
all(".tray").forEach((tray) => tray.addEventListener("toggle", () => enter(tray)));
const askForm = one(".ask");
askForm?.addEventListener("change", (event) => {
  if (event.target.name !== "views") return;
  const wanted = all("[data-view]:checked", askForm).map((box) => box.dataset.view);
  askForm.elements.message.value = wanted.length ? askForm.dataset.before + wanted.join(" and of ") + askForm.dataset.after : "";
  keep(askForm);
});

// To a sign, with the photo that it was seen on.
const toSign = (digit) => {
  const sign = one(`#sign-${digit}`);
  if (!sign) return false;
  sign.scrollIntoView({ block: "nearest" });
  sign.focus({ preventScroll: true });
  const crop = one("[data-shot-of]", sign);
  if (crop) { show(placeOf(crop.dataset.shotOf)); closeUp.showBox(crop.dataset.box); }
  return true;
};

// Keys.
const isWriting = (target) => target.matches("textarea, select, input:not([type=checkbox])");
const inTray = (tray, key, event) => {
  if (key === "escape") { tray.open = false; one("summary", tray).focus(); return true; }
  if (isWriting(event.target)) return false;
  if (/^[1-9]$/.test(key)) { const box = one(`[data-digit="${key}"]`, tray); if (box) { box.click(); box.focus(); } return true; }
  if (key === "w") { one("[data-words]", tray).focus(); return true; }
  if (key === "enter") { one("form", tray).requestSubmit(); return true; }
  return false;
};
const inMode = (key) => {
  const mode = waitingFor;
  waitingFor = "";
  if (!/^[1-9]$/.test(key)) { hint(""); return key === "escape"; }
  if (mode === "c") wrongSign(key); else wrongBoxByKey(key);
  return true;
};
// In the queue: from line to line, and from page to page.
const alongRows = (step) => {
  const rows = all(".queue tbody .open-it");
  if (!rows.length) return false;
  const place = rows.indexOf(document.activeElement);
  rows[Math.min(Math.max(place + step, 0), rows.length - 1)].focus();
  return true;
};
const turnPage = (ahead) => {
  const link = one(`.pages a[rel="${ahead ? "next" : "prev"}"]`);
  link?.click();
  return Boolean(link);
};
const plainKey = (key) => {
  if (key === "arrowleft" || key === "arrowright") { if (!one(".shot")) return turnPage(key === "arrowright"); show(shown + (key === "arrowright" ? 1 : -1)); return true; }
  if (/^[1-9]$/.test(key)) { return toSign(key); }
  if (key === "o") { one("#desk")?.classList.toggle("bare"); return true; }
  if (key === "z") { closeUp.turn(!closeUp.isOn()); return true; }
  if (closeUp.byKey(key)) return true;
  if (key === "escape") { closeUp.turn(false); alarm(""); pickedBox = null; document.body.classList.remove("drawing"); hint(""); return true; }
  if (isMine && (key === "c" || key === "b")) { waitingFor = key; hint(key === "c" ? "Which sign was read wrongly? Its digit." : "Which box is wrong? Its digit."); return true; }
  const tray = one(`[data-tray="${key}"]`);
  if (tray) { open(tray); return true; }
  const field = one(`[data-key-focus="${key}"]`);
  if (field) { field.focus(); return true; }
  if (key === "arrowdown" || key === "arrowup") return alongRows(key === "arrowdown" ? 1 : -1);
  const button = one(`button[data-key="${key}"]:not([data-wrong-box]), a[data-key="${key}"]`);
  if (button) { button.click(); return true; }
  return false;
};
document.addEventListener("keydown", (event) => {
  lastTouched = Date.now();
  if (event.ctrlKey && event.key === "Enter" && event.target.matches("textarea")) { event.target.form.requestSubmit(); return; }
  if (event.ctrlKey || event.metaKey || event.altKey || event.repeat) return;
  const key = event.key.toLowerCase();
  const tray = openTray();
  if (tray) { if (inTray(tray, key, event)) event.preventDefault(); return; }
  if (isWriting(event.target)) { if (key === "escape") event.target.blur(); return; }
  if (waitingFor ? inMode(key) : plainKey(key)) event.preventDefault();
});
document.addEventListener("pointerdown", () => { lastTouched = Date.now(); });

const fetchAhead = () => desk.dataset.ahead.split(" ").filter(Boolean).forEach((link) => { new Image().src = link; });

// What was typed before the page was left without being sent, or the session ended.
const drafts = () => {
  const back = all("form[data-keep]").filter(putBack);
  const note = one('form[data-keep="note"]');
  const words = isMine || desk.dataset.mayTake ? "" : takeKeptWords();
  if (words) {
    note.elements.words.value = [note.elements.words.value, words].filter(Boolean).join("; ");
    keep(note);
    hint("What you had written stands in the note.");
    return;
  }
  const tray = back.map((form) => form.closest(".tray")).find(Boolean);
  if (tray) open(tray);
  if (back.length) hint("What you had written is here again.");
};

// The clock: the page says now and then that somebody still looks, as long as somebody does.
const runClock = () => {
  let ends = Date.now() + Number(desk.dataset.left) * 1000;
  const whole = Number(desk.dataset.keeps) * 1000;
  const clock = one("#clock");
  const tick = () => {
    const left = Math.max(0, Math.round((ends - Date.now()) / 1000));
    clock.textContent = left ? `yours for ${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}` : "no longer kept for you";
    clock.classList.toggle("soon", left < 60);
  };
  const stillLooking = async () => {
    if (Date.now() - lastTouched > whole / 2) return;
    const answer = await post(`/still/${encodeURIComponent(desk.dataset.listing)}`, { form_token: desk.dataset.token });
    if (!answer) alarm("The server can't be reached just now. What you type is kept.");
    else if (answer.status === 401) alarm("Your session has ended. What you typed is kept.", ["Sign in again", toTheDoor()]);
    else if (answer.status === 409) { ends = Date.now(); alarm("This listing is no longer kept for you; a colleague may have it now. What you typed is kept.", ["See how it stands", location.pathname]); }
    else { ends = Date.now() + whole; alarm(""); }
  };
  tick();
  setInterval(tick, 1000);
  setInterval(stillLooking, 60000);
};

if (desk) {
  show(Number(desk.dataset.first));
  drafts();
  // The photos of what comes next are fetched while this one is looked at.
  if (document.readyState === "complete") setTimeout(fetchAhead, 150);
  else addEventListener("load", () => setTimeout(fetchAhead, 150));
  if (isMine) runClock();
}
