"use strict";
/* The rule under the question, from 0 to 100. A mouse sets the rating wherever it is down; a finger or a pen
   by a tap or a mostly horizontal drag, as a vertical one scrolls the page (CSS touch-action says so to the
   browser, which then takes the pointer away). */
const Rule = (() => {
  const SLOP_PX = 10; // within this a finger has not moved

  /* Calls set(share of the rule, 0 to 1). */
  function draw(rule, set) {
    let from = null; // where a finger came down
    let drags = false;

    const place = (event) => {
      const box = rule.getBoundingClientRect();
      set(Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1));
    };
    const take = (event) => {
      drags = true;
      rule.setPointerCapture(event.pointerId);
    };

    rule.onpointerdown = (event) => {
      if (!event.isPrimary || event.button !== 0) return;
      from = event;
      if (event.pointerType !== "mouse") return;
      take(event);
      place(event);
    };
    rule.onpointermove = (event) => {
      if (from === null || event.pointerId !== from.pointerId) return;
      const across = Math.abs(event.clientX - from.clientX);
      const down = Math.abs(event.clientY - from.clientY);
      if (!drags && across > SLOP_PX && across > down) take(event);
      if (drags) place(event);
    };
    rule.onpointerup = (event) => {
      if (from === null || event.pointerId !== from.pointerId) return;
      const moved = Math.hypot(event.clientX - from.clientX, event.clientY - from.clientY);
      if (drags || moved <= SLOP_PX) place(event);
      from = null;
      drags = false;
    };
    rule.onpointercancel = () => {
      from = null;
      drags = false;
    };
  }

  return { draw };
})();
