// Day or night: what was chosen on this computer, else what the computer says. Before the page is drawn.
(() => {
  const root = document.documentElement;
  const dark = matchMedia("(prefers-color-scheme: dark)");
  const chosen = () => { try { return localStorage.getItem("theme"); } catch { return null; } };
  const show = (theme) => {
    root.dataset.theme = theme;
    const button = document.getElementById("theme");
    if (button) button.textContent = theme === "night" ? "Day colours" : "Night colours";
    dispatchEvent(new Event("theme"));
  };
  show(chosen() ?? (dark.matches ? "night" : "day"));
  addEventListener("DOMContentLoaded", () => {
    show(root.dataset.theme);
    document.getElementById("theme").addEventListener("click", () => {
      const theme = root.dataset.theme === "night" ? "day" : "night";
      try { localStorage.setItem("theme", theme); } catch { /* a private window: for this page only */ }
      show(theme);
    });
  });
})();
