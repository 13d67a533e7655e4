"use strict";
/* Lines of a road map moved by their buttons, or by Alt and an arrow key; the focus goes with the line. */
(() => {
  const byId = (id) => document.getElementById(id);

  async function move(button, from) {
    const { entry, by } = JSON.parse(button.dataset.args);
    if (!(await Maker.act(button.dataset.do, JSON.parse(button.dataset.args), button))) return;
    const kind = from.id.split("-")[0]; // "part", "up" or "down": the same place on the line as it stands now
    (byId(`${kind}-${entry + by}`) || byId(`part-${entry + by}`))?.focus({ preventScroll: true });
  }

  document.addEventListener("keydown", (event) => {
    if (!event.altKey || (event.key !== "ArrowUp" && event.key !== "ArrowDown")) return;
    const button = event.target.closest(".line")?.querySelector(event.key === "ArrowUp" ? "[id^=up-]" : "[id^=down-]");
    if (!button) return;
    event.preventDefault();
    move(button, event.target);
  });

  document.addEventListener("click", (event) => {
    const button = event.target.closest("button[data-do=part_move]");
    if (!button) return;
    event.stopPropagation(); // it is done here
    move(button, button);
  }, true);
})();
