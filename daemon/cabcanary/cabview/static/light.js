// Day or night: as the screen says, unless a person has chosen. A plain script in the head, so that no page flashes.
(() => {
  const WORDS = { auto: "Light: auto", day: "Light: day", night: "Light: night" };
  const NEXT = { auto: "night", night: "day", day: "auto" };
  const KEPT = "cabcanary-light";

  function chosen() {
    try {
      return localStorage.getItem(KEPT) in NEXT ? localStorage.getItem(KEPT) : "auto";
    } catch {
      return "auto"; // a browser that keeps nothing
    }
  }

  function show(light) {
    document.documentElement.dataset.light = light;
    const button = document.getElementById("light");
    if (button) button.textContent = WORDS[light];
    // Plots are drawn in colours of their own.
    document.dispatchEvent(new Event("light"));
  }

  show(chosen());
  document.addEventListener("DOMContentLoaded", () => {
    show(chosen());
    document.getElementById("light").addEventListener("click", () => {
      const light = NEXT[chosen()];
      try {
        localStorage.setItem(KEPT, light);
      } catch {
        // it holds until the page is left
      }
      show(light);
    });
  });
})();
