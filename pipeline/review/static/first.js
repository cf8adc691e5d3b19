// Before the first paint: the chosen shade, and that scripts run, so that nothing jumps later.
"use strict";
document.documentElement.classList.add("scripted");
try {
  const shade = localStorage.getItem("shade");
  if (shade === "dark" || shade === "light") document.documentElement.dataset.shade = shade;
} catch { /* storage may be shut */ }
