// The map's frame as the page serves it: the map itself, and a way to keep a scenario in the study.
"use strict";
(function () {
  var page = document.querySelector("meta[name=noisemap-token]");
  var data = JSON.parse(document.getElementById("study-data").textContent);
  window.map_noisemap = L.map("map_noisemap", {
    center: [data.bounds[1][0] / 2, data.bounds[1][1] / 2], zoom: -3, crs: L.CRS.Simple,
    minZoom: -7, maxZoom: 4, zoomSnap: 0.25, preferCanvas: true
  });
  window.noisemapHooks = {
    exportLabel: "Save into the study",
    export: async function (scenario) {
      var answer = await fetch("/api/study/" + page.dataset.key + "/zone", {
        method: "POST",
        headers: { "content-type": "application/json", "x-noisemap-token": page.content },
        body: JSON.stringify({
          name: scenario.name, road: scenario.road, from_m: scenario.from_m, to_m: scenario.to_m,
          hours: scenario.hours, binds: scenario.binds, observance: scenario.observance,
          emergency_use: scenario.emergency_use || ""
        })
      });
      var said = await answer.json();
      if (!answer.ok) { throw new Error(said.error); }
      if (window.parent !== window) {
        window.parent.postMessage({ noisemap: "zone-saved", name: said.name }, window.location.origin);
      }
      return "Saved into the study as “" + said.name + "”. Compute again to have it in the report.";
    }
  };
})();
