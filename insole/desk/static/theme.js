// Before the page is drawn: the theme that was chosen, or the system's.
(() => {
  let chosen = null;
  try { chosen = localStorage.getItem("theme"); } catch { /* storage is shut: the system's */ }
  const dark = chosen ? chosen === "dark" : matchMedia("(prefers-color-scheme: dark)").matches;
  document.documentElement.dataset.theme = dark ? "dark" : "light";
})();
