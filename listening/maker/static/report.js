"use strict";
/* The report in its frame on the verdict sheet, and the outlook while somebody turns the knobs. */
(() => {
  document.addEventListener("sheet", async () => {
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
