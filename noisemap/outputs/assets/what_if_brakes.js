// The brakes under a zone, from peaks of every interval on the search's grid, and what follows in words.
"use strict";
(function () {
  var WhatIf = window.WhatIf;
  var SAME_C = 0.5, ROUNDING = 1e-6, ON_GRID_M = 0.05;
  var NORMAL = "normal";

  // The grid's interval that holds the zone whole: moved ends count no less than they are.
  function interval(ends, scenario) {
    var first = 0, last = ends.length - 1;
    while (first + 1 < ends.length && ends[first + 1] <= scenario.from + ON_GRID_M) { first++; }
    while (last > 0 && ends[last - 1] >= scenario.to - ON_GRID_M) { last--; }
    return first < last ? [first, last] : null;
  }
  function touches(road, grid, scenario) {
    return road.used.some(function (one) {
      return one.truck === grid.truck && one.direction === grid.direction && one.pieces.some(function (piece) {
        return piece[0] < scenario.to - 1e-6 && piece[1] > scenario.from + 1e-6;
      });
    });
  }
  function heightAt(road, metres) {
    var ends = road.ends, i = 1;
    while (i < ends.length - 1 && ends[i] < metres) { i++; }
    var share = Math.min(Math.max((metres - ends[i - 1]) / (ends[i] - ends[i - 1]), 0), 1);
    return road.height[i - 1] + share * (road.height[i] - road.height[i - 1]);
  }

  // One row a truck, direction and condition that the zone takes retarder work from.
  WhatIf.brakes = function (table, scenario) {
    var data = table.data, road = data.brakes[scenario.road], count = road.ends.length;
    var peaks = table.arrays["peaks" + scenario.road], span = interval(road.ends, scenario);
    var rows = [];
    road.grids.forEach(function (grid, number) {
      if (!span || grid.rules.indexOf(scenario.binds) < 0 || !touches(road, grid, scenario)) { return; }
      rows.push({
        truck: grid.truck, direction: grid.direction, condition: grid.condition, equipped: true, free: grid.free,
        zone: peaks[(number * count + span[0]) * count + span[1]] / 10, limit: grid.limit
      });
    });
    var falls = heightAt(road, scenario.from) - heightAt(road, scenario.to);
    return [1, -1].reduce(function (kept, direction) {
      var own = rows.filter(function (row) { return row.direction === direction; });
      var heated = own.some(function (row) { return row.zone > row.free + SAME_C; });
      if (!own.length || !(heated || direction * falls > 0)) { return kept; }
      road.unequipped.forEach(function (row) {
        if (row.direction !== direction) { return; }
        own.push({ truck: row.truck, direction: direction, condition: NORMAL, equipped: false, free: row.peak, zone: row.peak, limit: data.limits.planning });
      });
      return kept.concat(own);
    }, []);
  };
  WhatIf.forbids = function (row, limits) {
    return [limits.planning, limits.hard].some(function (limit) { return row.zone > limit && limit >= row.free; });
  };
  WhatIf.refuses = function (rows, limits) {
    return rows.filter(function (row) { return row.condition === NORMAL && WhatIf.forbids(row, limits); });
  };
  // How far a zone with this start may reach before any truck with sound brakes is over its limit.
  WhatIf.furthest = function (table, scenario) {
    var road = table.data.brakes[scenario.road], list = table.arrays["furthest" + scenario.road], count = road.ends.length;
    var first = 0, reach = null;
    while (first + 1 < count && road.ends[first + 1] <= scenario.from + ON_GRID_M) { first++; }
    road.grids.forEach(function (grid, number) {
      if (grid.condition !== NORMAL || grid.rules.indexOf(scenario.binds) < 0) { return; }
      var end = list[number * count + first];
      reach = reach === null ? end : Math.min(reach, end);
    });
    return reach === null || reach === count - 1 ? null : road.ends[reach];
  };

  // ---- words and figures -----------------------------------------------------------
  WhatIf.degrees = function (celsius, units) {
    var us = Math.round(celsius * 9 / 5 + 32) + "\u00a0°F", si = Math.round(celsius) + "\u00a0°C";
    return units === "us" ? us + " (" + si + ")" : si + " (" + us + ")";
  };
  WhatIf.room = function (kelvin, units) {
    return units === "us" ? Math.round(kelvin * 9 / 5) + "\u00a0°F" : Math.round(kelvin) + "\u00a0°C";
  };
  WhatIf.count = function (value) {
    if (value > 0 && value < 0.05) { return "fewer than 0.1"; }
    return value < 9.95 ? value.toFixed(1).replace(".0", "") : Math.round(value).toLocaleString("en-US");
  };
  function figure(value) { return Math.abs(value) >= 10 ? value.toFixed(0) : value.toFixed(1); }
  function most(rows, key) {
    return rows.reduce(function (worst, row) { return key(row) > key(worst) ? row : worst; });
  }
  function roomOf(row) { return row.limit - row.zone; }

  // The verdict on a zone, brakes first, and its sentence.
  WhatIf.verdict = function (table, scenario, rows, spared, units) {
    var data = table.data, limits = data.limits, name = "“" + scenario.name + "”";
    var gain = "it spares " + figure(spared) + " passes of braking trucks a night above " + data.passes.level + " dB outdoors, summed over all residents";
    function truck(row) { return "“" + data.trucks[row.truck].name + "”"; }
    var broken = WhatIf.refuses(rows, limits);
    if (broken.length) {
      var hot = most(broken, function (row) { return row.zone; });
      return { word: "refused for brakes", sentence: "Do not sign " + name + ": with the retarder silent there, the brakes of trucks of class " + truck(hot) +
        " reach " + WhatIf.degrees(hot.zone, units) + ", over the " + (hot.free <= limits.planning ? "planning limit of " + WhatIf.degrees(limits.planning, units) :
        "hard limit of " + WhatIf.degrees(limits.hard, units)) + ", where they stay at " + WhatIf.degrees(hot.free, units) + " with it." };
    }
    if (spared < data.worth) {
      return { word: "not worth signing", sentence: name + " is not worth a sign: " + gain + ", below the " + figure(data.worth) + " that the study asks for." };
    }
    var weak = rows.filter(function (row) { return row.equipped && roomOf(row) < -ROUNDING; });
    if (weak.length) {
      var least = most(weak, function (row) { return -roomOf(row); });
      return { word: "needs an engineering study", sentence: name + " helps, but the brakes of trucks of class " + truck(least) + " would reach " +
        WhatIf.degrees(least.zone, units) + " (" + data.conditionWords[least.condition] + "), over the planning limit of " +
        WhatIf.degrees(limits.planning, units) + ": an engineering study has to come first." };
    }
    if (data.coarse) {
      return { word: "needs an engineering study", sentence: name + " may help, but the terrain is too coarse to know the grade inside it: a surveyed profile or finer terrain has to come first." };
    }
    var equipped = rows.filter(function (row) { return row.equipped && row.condition === NORMAL; });
    return { word: "worth signing", sentence: name + " is worth a sign in this screening: " + gain + (equipped.length ?
      "; the hottest brakes of trucks that it binds reach " + WhatIf.degrees(most(equipped, function (row) { return row.zone; }).zone, units) +
      ", within the planning limit of this screening" : "") + "." };
  };
})();
