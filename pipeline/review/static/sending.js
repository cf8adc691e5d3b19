// Forms are sent behind the page, so that nothing typed is lost when the network, the session or the listing is gone.
import { alarm, all, hint, one } from "./finding.js";

const WAIT_MS = 20000;
const NO_ANSWER = "No answer. What you typed is still here: try again when the connection is back.";
let isSending = false;

export const toTheDoor = () => `/enter?back=${encodeURIComponent(location.pathname + location.search)}`;

// What the server makes of a form: { status, text, goOn }, or null if there is no answer.
export const post = async (where, fields) => {
  try {
    const answer = await fetch(where, {
      method: "POST", body: new URLSearchParams(fields), headers: { "X-By-Script": "1" }, signal: AbortSignal.timeout(WAIT_MS),
    });
    return { status: answer.status, text: await answer.text(), goOn: answer.headers.get("X-Go-On") };
  } catch {
    return null;
  }
};

// Where to go on after a form was taken; "" if it was not, and then the person is told why.
export const sent = async (where, fields) => {
  const answer = await post(where, fields);
  if (!answer) alarm(NO_ANSWER);
  else if (answer.status === 401) location.assign(toTheDoor());
  else if (answer.goOn) { alarm(""); return answer.goOn; }
  else alarm(answer.text || NO_ANSWER, one("#desk") && !where.endsWith("/undo") ? ["See how it stands", location.pathname] : undefined);
  return "";
};

export const send = async (form, submitter) => {
  if (isSending) return;
  isSending = true;
  keep(form);
  const slow = setTimeout(() => hint("Sending…"), 700);
  const goOn = await sent(form.action, new FormData(form, submitter));
  clearTimeout(slow);
  if (!goOn) { isSending = false; hint(""); return; }
  forget(form);
  if (form.action.includes("/decide/")) all('form[data-keep]:not([data-keep="note"])').forEach(forget);
  const isHere = new URL(goOn, location).pathname === location.pathname;
  location.assign(goOn);
  if (isHere && goOn.includes("#")) location.reload();
};
addEventListener("pageshow", () => { isSending = false; });

// Drafts, in this window only: by person, listing and form.
const START = "draft ";
const nameOf = (form) => `${START}${JSON.stringify([one(".who")?.textContent, one("#desk")?.dataset.listing, form.dataset.keep])}`;
const fieldsOf = (form) => all("input:not([type=hidden]), textarea", form);
const isTicked = (field) => field.type === "checkbox";
const asShown = (field) => (isTicked(field) ? field.checked : field.value);
const atFirst = (field) => (isTicked(field) ? field.defaultChecked : field.defaultValue);

export const keep = (form) => {
  if (!form.dataset.keep) return;
  const fields = fieldsOf(form);
  try {
    if (fields.every((field) => asShown(field) === atFirst(field))) sessionStorage.removeItem(nameOf(form));
    else sessionStorage.setItem(nameOf(form), JSON.stringify(fields.map((field) => [field.name, isTicked(field) ? field.value : "", asShown(field)])));
  } catch { /* storage may be shut or full */ }
};
export const forget = (form) => { try { sessionStorage.removeItem(nameOf(form)); } catch { /* as above */ } };
const kept = () => { try { return Object.keys(sessionStorage).filter((name) => name.startsWith(START)); } catch { return []; } };
export const forgetAll = () => kept().forEach((name) => sessionStorage.removeItem(name));
export const isAnythingKept = () => kept().length > 0;

// Puts a form's draft back; whether there was one.
export const putBack = (form) => {
  let draft = null;
  try { draft = JSON.parse(sessionStorage.getItem(nameOf(form))); } catch { /* nothing to put back */ }
  for (const [name, value, shown] of draft ?? []) {
    const field = fieldsOf(form).find((candidate) => candidate.name === name && (!isTicked(candidate) || candidate.value === value));
    if (!field) continue;
    if (isTicked(field)) field.checked = shown; else field.value = shown;
  }
  return draft !== null;
};

// Takes out the words that were written to decide, where the listing can be decided no more.
export const takeKeptWords = () => {
  const [who, listing] = [one(".who")?.textContent, one("#desk")?.dataset.listing];
  const mine = kept().filter((name) => { const [whose, which, form] = JSON.parse(name.slice(START.length)); return whose === who && which === listing && form !== "note"; });
  const fields = mine.flatMap((name) => JSON.parse(sessionStorage.getItem(name)));
  mine.forEach((name) => sessionStorage.removeItem(name));
  return fields.filter(([name, , shown]) => name === "words" && shown).map(([, , words]) => words).join("; ");
};
