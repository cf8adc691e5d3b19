// Finding things on the page, and telling the person.
export const all = (what, where = document) => [...where.querySelectorAll(what)];
export const one = (what, where = document) => where.querySelector(what);
export const hint = (words) => { const place = one("#hint"); if (place) place.textContent = words; };

// What went wrong stands above the buttons until it is mended or put away.
export const alarm = (words, link) => {
  const place = one("#alarm");
  if (!place) return;
  place.hidden = !words;
  place.textContent = words;
  if (!link) return;
  const away = document.createElement("a");
  away.href = link[1];
  away.textContent = link[0];
  place.append(" ", away);
};
