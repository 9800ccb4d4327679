// Scenarios: their steps back and forth, those that were kept, and the text a study reads.
"use strict";
(function () {
  var WhatIf = window.WhatIf;
  var LONGEST = 200;

  WhatIf.copy = function (scenario) { return JSON.parse(JSON.stringify(scenario)); };
  WhatIf.first = function (data, zones) {
    var start = zones && zones.length ? zones[0] : null, road = data.roads[0];
    var used = data.brakes[0].ends, low = used[0], high = used[used.length - 1];
    return Object.assign({
      name: "Tried zone", road: 0, from: low + 0.6 * (high - low), to: high, hours: data.night.slice(),
      binds: "unmuffled_compression_release", observance: 0.7, emergency: 0, zone: true, shares: null, flow: 1
    }, road ? {} : null, start || {});
  };

  // Steps that can be taken back; steps of one kind that follow each other closely count as one.
  WhatIf.History = function (scenario) { this.past = []; this.now = WhatIf.copy(scenario); this.future = []; this.kind = ""; };
  WhatIf.History.prototype.change = function (scenario, kind) {
    if (JSON.stringify(scenario) === JSON.stringify(this.now)) { return; }
    if (!kind || kind !== this.kind) { this.past.push(this.now); }
    if (this.past.length > LONGEST) { this.past.shift(); }
    this.kind = kind || "";
    this.now = WhatIf.copy(scenario);
    this.future = [];
  };
  WhatIf.History.prototype.settle = function () { this.kind = ""; };
  WhatIf.History.prototype.undo = function () { return this.move(this.past, this.future); };
  WhatIf.History.prototype.redo = function () { return this.move(this.future, this.past); };
  WhatIf.History.prototype.move = function (from, to) {
    this.kind = "";
    if (!from.length) { return false; }
    to.push(this.now);
    this.now = from.pop();
    return true;
  };

  function quoted(text) { // a basic string of the study file's language
    return '"' + text.replace(/[\u0000-\u001f\u007f"\\]/g, function (sign) {
      return sign === '"' || sign === "\\" ? "\\" + sign : "\\u" + sign.charCodeAt(0).toString(16).padStart(4, "0");
    }) + '"';
  }
  function decimal(value, digits) { return (Math.round(value * Math.pow(10, digits)) / Math.pow(10, digits)).toFixed(digits); }
  WhatIf.plain = function (data, scenario) {
    return {
      name: scenario.name, road: data.roads[scenario.road].key, from_m: Number(decimal(scenario.from, 1)), to_m: Number(decimal(scenario.to, 1)),
      hours: scenario.hours.slice(), binds: scenario.binds, observance: scenario.observance, emergency_use: scenario.emergency || 0,
      shares: scenario.shares, flow: scenario.flow
    };
  };
  WhatIf.toml = function (data, scenario) {
    var one = WhatIf.plain(data, scenario), lines = [];
    if (one.shares) {
      lines.push("# tried with these shares of exhausts, which are no part of a zone: " + data.states.map(function (state) {
        return state + " " + decimal(one.shares[state], 3);
      }).join(", "));
    }
    if (one.flow !== 1) { lines.push("# tried with " + decimal(one.flow, 2) + " times the counted trucks, which is no part of a zone"); }
    lines.push("[[zone]]", "name = " + quoted(one.name), "road = " + quoted(one.road), "from_m = " + decimal(one.from_m, 1),
      "to_m = " + decimal(one.to_m, 1), "hours = [" + one.hours.join(", ") + "]", "binds = " + quoted(one.binds),
      "observance = " + decimal(one.observance, 2));
    if (one.emergency_use > 0) { lines.push("emergency_use = " + decimal(one.emergency_use, 2)); }
    return lines.join("\n") + "\n";
  };

  // ---- words -------------------------------------------------------------------------
  WhatIf.MILE = 1609.344;
  WhatIf.FOOT = 0.3048;
  WhatIf.step = function (units) { return units === "us" ? 50 * WhatIf.FOOT : 10; };
  WhatIf.along = function (metres, units) {
    return units === "us" ? (metres / WhatIf.MILE).toFixed(2) + " mi" : (metres / 1000).toFixed(2) + " km";
  };
  WhatIf.length = function (metres, units) {
    return units === "us" ? Math.round(metres / WhatIf.FOOT).toLocaleString("en-US") + " ft" : Math.round(metres).toLocaleString("en-US") + " m";
  };
  WhatIf.hoursText = function (hours) {
    if (hours.length === 24) { return "all day and night"; }
    var parts = [];
    hours.forEach(function (start) {
      if (hours.indexOf((start + 23) % 24) >= 0) { return; }
      var end = start;
      while (hours.indexOf(end % 24) >= 0) { end++; }
      parts.push(("0" + start).slice(-2) + ":00 to " + ("0" + ((end - 1) % 24 + 1)).slice(-2) + ":00");
    });
    return parts.length ? parts.join(", ") : "no hour";
  };
})();
