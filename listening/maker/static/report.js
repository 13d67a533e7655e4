"use strict";
/* The report in its frame on the verdict sheet, and a maker's own listening page in a tab of its own. */
(() => {
  document.addEventListener("sheet", async () => {
    const own = document.querySelector("[data-open]");
    if (own) window.open(own.dataset.open, "_blank", "noopener");
    const place = document.querySelector("[data-report]");
    if (!place || place.querySelector("iframe")) return;
    const { ticket } = await Maker.request("POST", "/api/ticket/report", {});
    const frame = document.createElement("iframe");
    frame.title = "The report";
    frame.setAttribute("sandbox", "allow-scripts");
    frame.src = `/report/${ticket}/report.html`;
    place.append(frame);
  });
})();
