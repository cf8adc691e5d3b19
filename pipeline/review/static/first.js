// Before the first paint: the chosen shade, that scripts run, so that nothing jumps later, and which pictures don't come.
"use strict";
document.documentElement.classList.add("scripted");
try {
  const shade = localStorage.getItem("shade");
  if (shade === "dark" || shade === "light") document.documentElement.dataset.shade = shade;
} catch { /* storage may be shut */ }
document.addEventListener("error", (event) => { if (event.target.dataset) event.target.dataset.gone = "1"; }, true);
