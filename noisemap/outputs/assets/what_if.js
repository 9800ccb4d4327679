// Mounts the what-if: unpacks the table, keeps the state, and tells map and panel what changed.
"use strict";
(function () {
  var WhatIf = window.WhatIf;

  function download(name, text) {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
    link.download = (name.replace(/[^A-Za-z0-9]+/g, "-").replace(/^-+|-+$/g, "").toLowerCase() || "zone") + ".toml";
    link.click();
    setTimeout(function () { URL.revokeObjectURL(link.href); }, 1000);
    return Promise.resolve("Downloaded as " + link.download + ": paste it into the study file and run it.");
  }

  WhatIf.mount = async function (element, data, hooks) {
    hooks = hooks || {};
    var waiting = WhatIf.make("p", "", "Unpacking the table …");
    WhatIf.clear(element);
    element.appendChild(waiting);
    var table;
    try {
      table = await WhatIf.table(data, function (share) { waiting.textContent = "Unpacking the table, " + Math.round(100 * share) + " %"; });
    } catch (error) {
      waiting.textContent = "The table could not be unpacked. " + error.message;
      throw error;
    }
    var model = new WhatIf.Model(table), units = hooks.units || data.units, kept = [], asked = 0;
    var none = Object.assign(WhatIf.first(data), { zone: false });
    var today = model.under(none);
    var history = new WhatIf.History(Object.assign(WhatIf.first(data, data.zones), {}));
    var traffic = { key: "", found: today }, onMap = null, panel = null, found = null;

    function compute(scenario) {
      var after = model.under(scenario), key = JSON.stringify([scenario.shares, scenario.flow]);
      if (traffic.key !== key) { traffic = { key: key, found: model.under(Object.assign(WhatIf.copy(scenario), { zone: false })) }; }
      var brakes = WhatIf.brakes(table, scenario), alone = traffic.found.peoplePasses - after.peoplePasses;
      return {
        brakes: brakes, today: today.peoplePasses, after: after.peoplePasses, spared: today.peoplePasses - after.peoplePasses,
        zoneAlone: alone, helped: model.helped(today, after), overNow: today.over, over: after.over, homes: after.homes,
        verdict: WhatIf.verdict(table, scenario, brakes, Math.max(alone, 0), units)
      };
    }
    function levels() {
      var own = hooks.before, out = {};
      if (!own) { return found.homes; }
      ["peak", "night", "passes"].forEach(function (key) {
        out[key] = WhatIf.moved(own[key], today.homes[key], found.homes[key], key === "passes" ? 0 : -Infinity);
      });
      return out;
    }
    function state() {
      return {
        scenario: history.now, units: units, found: found, reach: WhatIf.furthest(table, history.now), kept: kept,
        canUndo: history.past.length > 0, canRedo: history.future.length > 0
      };
    }
    function refresh() {
      asked = 0;
      found = compute(history.now);
      panel.show(state());
      if (onMap) { onMap.show(history.now, found.verdict.word === "refused for brakes", units); }
      if (hooks.recolour) { hooks.recolour(levels(), history.now); }
    }
    function soon() { if (!asked) { asked = requestAnimationFrame(refresh); } }
    function change(scenario, kind) { history.change(scenario, kind); soon(); }
    function move(end, metres) { change(WhatIf.moveEnd(data, history.now, end, metres, units), "move " + end); }
    var act = {
      change: change,
      settle: function () { history.settle(); },
      move: move,
      step: function (end, steps) {
        var size = WhatIf.step(units), now = history.now[end];
        var goal = steps === "Home" ? 0 : steps === "End" ? data.roads[history.now.road].length : (Math.round(now / size) + steps) * size;
        move(end, goal);
        history.settle();
      },
      undo: function () { if (history.undo()) { soon(); } },
      redo: function () { if (history.redo()) { soon(); } },
      keep: function () {
        kept = kept.concat([{ scenario: WhatIf.copy(history.now), found: compute(history.now) }]);
        panel.tell("Kept: " + history.now.name + ".");
        panel.keptShown = "";
        soon();
      },
      use: function (index) { change(kept[index].scenario, ""); },
      drop: function (index) {
        kept = kept.filter(function (unused, at) { return at !== index; });
        panel.keptShown = "";
        soon();
      },
      export: function () {
        var text = WhatIf.toml(data, history.now);
        var done = hooks.export ? hooks.export(WhatIf.plain(data, history.now), text) : download(history.now.name, text);
        Promise.resolve(done).then(panel.tell.bind(panel), function (error) { panel.tell("Not saved: " + error.message); });
      },
      draw: function () {
        onMap.draw(!onMap.drawing);
        if (onMap.drawing) { hooks.map.getContainer().scrollIntoView({ block: "nearest" }); }
        panel.tell(onMap.drawing ? "Click the zone's two ends on the map." : "");
      },
      units: function (name) { units = name; soon(); }
    };
    if (hooks.map) {
      onMap = new WhatIf.OnMap(hooks.map, data, {
        step: act.step, move: move, settle: act.settle,
        drawn: function (ends, clicks) {
          if (!ends) { panel.tell(clicks + " of 2 ends clicked."); return; }
          var next = WhatIf.copy(history.now), gap = WhatIf.step(units);
          next.from = ends[0];
          next.to = Math.max(ends[1], ends[0] + gap);
          change(next, "");
          panel.tell("Drawn.");
        }
      });
    }
    panel = new WhatIf.Panel(element, data, act, {
      map: Boolean(hooks.map), exportLabel: hooks.exportLabel || "Download for the study (TOML)"
    });
    refresh();
    return {
      scenario: function () { return WhatIf.plain(data, history.now); },
      set: function (scenario) { change(Object.assign(WhatIf.copy(history.now), scenario), ""); },
      result: function () { return { before: today.homes, levels: levels(), found: found }; },
      toml: function () { return WhatIf.toml(data, history.now); },
      bounds: function () { return onMap && onMap.bounds(); },
      undo: act.undo, redo: act.redo,
      destroy: function () { if (onMap) { onMap.remove(); } WhatIf.clear(element); }
    };
  };
})();
