// What a rule leaves at the homes: energies, loudest passes and counts, from the unpacked table.
"use strict";
(function () {
  var WhatIf = window.WhatIf;
  var HOURS = 24, SMALL = 1e-12, END = 8, STEP = 0.005;

  function allHours() { return Array.from({ length: HOURS }, function (unused, hour) { return hour; }); }

  // Normal distribution function by its continued fraction and series, then as a table on even steps.
  function normal(x) {
    var z = Math.abs(x), tail;
    if (z > 3) {
      var f = z;
      for (var k = 40; k > 0; k--) { f = z + k / f; }
      tail = Math.exp(-z * z / 2) / Math.sqrt(2 * Math.PI) / f;
    } else {
      var term = z, sum = z;
      for (var n = 1; n < 60; n++) { term *= z * z / (2 * n + 1); sum += term; }
      tail = 0.5 - sum * Math.exp(-z * z / 2) / Math.sqrt(2 * Math.PI);
    }
    return x > 0 ? 1 - tail : tail;
  }
  var TABLE = Float64Array.from({ length: 2 * END / STEP + 2 }, function (unused, i) { return normal(i * STEP - END); });
  function exceeds(level, passes) {
    var place = ((level - passes.meanShift * passes.spread * passes.spread - passes.level) / passes.spread + END) / STEP;
    if (!(place > 0)) { return 0; }
    if (place >= TABLE.length - 2) { return 1; }
    var i = Math.floor(place);
    return TABLE[i] + (TABLE[i + 1] - TABLE[i]) * (place - i);
  }

  WhatIf.UNMUFFLED = ["worn", "straight"];
  WhatIf.bindsState = function (rule, state) {
    return rule !== "unmuffled_compression_release" || WhatIf.UNMUFFLED.indexOf(state) >= 0;
  };

  // Passes an hour of every state as counted, or with the scenario's shares, times its flow.
  function counts(table, way, scenario) {
    return table.states.map(function (state, place) {
      return allHours().map(function (hour) {
        if (!scenario.shares) { return scenario.flow * way.perHour[place][hour]; }
        var all = way.perHour.reduce(function (sum, one) { return sum + one[hour]; }, 0);
        return scenario.flow * scenario.shares[state] * all;
      });
    });
  }
  function covered(table, way, scenario) { // first and last place with the shares of them that are covered
    var pieces = table.data.pieces, out = { first: 0, last: 0, parts: [] };
    way.pieces.forEach(function (piece, place) {
      var from = pieces.from[piece], to = pieces.to[piece];
      var inside = Math.min(to, scenario.to) - Math.max(from, scenario.from), share = inside / (to - from);
      if (share <= 1e-6) { return; }
      if (share < 1 - 1e-6) { out.parts.push([place, share]); return; }
      if (out.last === out.first) { out.first = place; }
      out.last = place + 1;
    });
    return out;
  }
  function weighted(values, weights) {
    return values.reduce(function (sum, value, hour) { return sum + value * weights[hour]; }, 0) / 3600;
  }
  // The factors of one way under a scenario: plain numbers by state.
  function factors(table, way, scenario, indicators) {
    var inZone = scenario.zone && way.road === scenario.road;
    var night = table.data.night, share = scenario.observance * (1 - (scenario.emergency || 0));
    var n = counts(table, way, scenario);
    var obeying = n.map(function (hours, state) {
      var bound = inZone && WhatIf.bindsState(scenario.binds, table.states[state]);
      return hours.map(function (count, hour) { return bound && scenario.hours.indexOf(hour) >= 0 ? share * count : 0; });
    });
    function sum(values) { return values.reduce(function (a, b) { return a + b; }, 0); }
    function atNight(values) { return sum(night.map(function (hour) { return values[hour]; })); }
    return {
      part: inZone ? covered(table, way, scenario) : { first: 0, last: 0, parts: [] },
      hourly: n, obeyingHourly: obeying,
      night: n.map(atNight), obeying: obeying.map(atNight),
      occurs: n.map(function (one, state) { return sum(one) - sum(obeying[state]) > SMALL; }),
      obeyed: obeying.map(function (one) { return sum(one) > SMALL; }),
      free: indicators.map(function (weights) { return weights && n.map(function (one) { return weighted(one, weights); }); }),
      less: indicators.map(function (weights) { return weights && obeying.map(function (one) { return weighted(one, weights); }); })
    };
  }

  function rowSums(values, weights, rows) {
    var out = new Float64Array(rows);
    for (var row = 0; row < rows; row++) {
      for (var hour = 0; hour < HOURS; hour++) { out[row] += weights[hour] * values[row * HOURS + hour]; }
    }
    return out;
  }

  WhatIf.Model = function (table) {
    this.table = table;
    var data = table.data, night = data.night;
    this.nightWeights = allHours().map(function (hour) { return night.indexOf(hour) >= 0 ? 1 / night.length : 0; });
    this.indicators = [this.nightWeights].concat(data.criteria.map(function (one) { return one.weights; }));
    this.rest = data.criteria.map(function (one) {
      return one.weights && {
        light: rowSums(table.light, one.weights, table.rows), heavy: rowSums(table.heavy, one.weights, table.rows),
        other: table.otherByHour && rowSums(table.otherByHour, one.weights, table.rows)
      };
    });
    this.otherNight = table.otherByHour && rowSums(table.otherByHour, this.nightWeights, table.rows);
    this.loudest = table.ways.map(function (way) { return freeMaxima(table, way); });
  };
  // Loudest moment of every free pass, where that is, whether the exhaust leads it, and how often it is loud.
  function freeMaxima(table, way) {
    var many = table.rows * way.trucks.length * table.states.length;
    var out = { level: new Float32Array(many), led: new Uint8Array(many), at: new Int32Array(many).fill(-1), chance: new Float64Array(many) };
    for (var i = 0; i < many; i++) {
      var best = way.floorLevel[truckRow(table, way, i)];
      for (var k = way.start[i]; k < way.start[i + 1]; k++) {
        if (way.level[k] > best) { best = way.level[k]; out.led[i] = way.led[k]; out.at[i] = way.place[k]; }
      }
      out.level[i] = best;
      out.chance[i] = exceeds(best, table.data.passes);
    }
    return out;
  }
  function truckRow(table, way, index) {
    var states = table.states.length, trucks = way.trucks.length, pair = Math.floor(index / states);
    return (pair % trucks) * table.rows + Math.floor(pair / trucks);
  }

  function silenced(part, place) { return place >= part.first && place < part.last; }

  // Energy that a zone takes from the exhaust of one state at one row.
  function savedEnergy(table, way, part, state, row) {
    var base = (row * table.states.length + state) * (way.places + 1), sums = way.sums;
    var out = sums[base + part.last] - sums[base + part.first];
    for (var i = 0; i < part.parts.length; i++) {
      var place = base + part.parts[i][0];
      out += part.parts[i][1] * (sums[place + 1] - sums[place]);
    }
    return out;
  }

  // Everything at every row for one scenario; `zone: false` leaves the zone out.
  WhatIf.Model.prototype.rowsUnder = function (scenario) {
    var table = this.table, rows = table.rows, self = this, data = table.data, states = table.states.length;
    var all = table.ways.map(function (way) { return factors(table, way, scenario, self.indicators); });
    var out = {
      night: new Float64Array(rows), peak: new Float64Array(rows).fill(-Infinity),
      passes: new Float64Array(rows), led: new Float64Array(rows),
      criteria: data.criteria.map(function () { return new Float64Array(rows); })
    };
    var hourly = new Float64Array(HOURS), flow = scenario.flow;
    var needHours = data.criteria.some(function (one) { return !one.weights; });
    for (var row = 0; row < rows; row++) {
      if (needHours) { this.otherHours(row, flow, hourly); }
      this.addOthers(row, flow, out);
      for (var w = 0; w < table.ways.length; w++) {
        var way = table.ways[w], one = all[w], quiet = way.quiet[row];
        for (var state = 0; state < states; state++) {
          var whole = way.sums[(row * states + state) * (way.places + 1) + way.places] + quiet;
          var saved = one.obeyed[state] ? savedEnergy(table, way, one.part, state, row) : 0;
          out.night[row] += one.free[0][state] * whole - one.less[0][state] * saved;
          for (var c = 0; c < out.criteria.length; c++) {
            if (one.free[c + 1]) { out.criteria[c][row] += one.free[c + 1][state] * whole - one.less[c + 1][state] * saved; }
          }
          if (needHours) {
            var counted = one.hourly[state], obeying = one.obeyingHourly[state];
            for (var hour = 0; hour < HOURS; hour++) { hourly[hour] += (counted[hour] * whole - obeying[hour] * saved) / 3600; }
          }
          this.addPasses(w, one, state, row, out);
        }
      }
      this.finish(row, flow, hourly, out);
    }
    return out;
  };
  WhatIf.Model.prototype.otherHours = function (row, flow, hourly) {
    var table = this.table;
    for (var hour = 0; hour < HOURS; hour++) {
      var at = row * HOURS + hour;
      hourly[hour] = table.light[at] + flow * (table.heavy[at] + (table.otherByHour ? table.otherByHour[at] : 0));
    }
  };
  WhatIf.Model.prototype.addOthers = function (row, flow, out) {
    var arrays = this.table.arrays;
    if (!this.otherNight) { return; }
    out.night[row] += flow * this.otherNight[row];
    out.passes[row] += flow * arrays.otherPasses[row];
    out.led[row] += flow * arrays.otherLed[row];
    if (flow > 0) { out.peak[row] = Math.max(out.peak[row], arrays.otherPeak[row] / 100); }
  };
  WhatIf.Model.prototype.addPasses = function (w, one, state, row, out) {
    var table = this.table, way = table.ways[w], free = this.loudest[w], part = one.part;
    var states = table.states.length, trucks = way.trucks.length;
    if (!one.occurs[state] && !one.obeyed[state]) { return; }
    for (var truck = 0; truck < trucks; truck++) {
      var i = (row * trucks + truck) * states + state, share = way.share[truck];
      if (!(share > 0)) { continue; }
      if (one.occurs[state]) {
        var often = (one.night[state] - one.obeying[state]) * share * free.chance[i];
        out.passes[row] += often;
        if (free.led[i]) { out.led[row] += often; }
        if (free.level[i] > out.peak[row]) { out.peak[row] = free.level[i]; }
      }
      if (!one.obeyed[state]) { continue; }
      var best = free.level[i], led = free.led[i], chance = free.chance[i];
      if (silenced(part, free.at[i])) {
        best = way.floorLevel[truck * table.rows + row];
        led = 0;
        for (var k = way.start[i]; k < way.start[i + 1]; k++) {
          if (way.level[k] > best && !silenced(part, way.place[k])) { best = way.level[k]; led = way.led[k]; }
        }
        chance = exceeds(best, table.data.passes);
      }
      var rare = one.obeying[state] * share * chance;
      out.passes[row] += rare;
      if (led) { out.led[row] += rare; }
      if (best > out.peak[row]) { out.peak[row] = best; }
    }
  };
  WhatIf.Model.prototype.finish = function (row, flow, hourly, out) {
    var data = this.table.data, rest = this.rest, background = data.background;
    data.criteria.forEach(function (one, c) {
      var loud = 0, hour;
      if (!one.weights) {
        for (hour = 0; hour < HOURS; hour++) { loud = Math.max(loud, hourly[hour] + (one.total ? background[hour] : 0)); }
        out.criteria[c][row] = loud;
        return;
      }
      out.criteria[c][row] += rest[c].light[row] + flow * (rest[c].heavy[row] + (rest[c].other ? rest[c].other[row] : 0));
      if (one.total) {
        for (hour = 0; hour < HOURS; hour++) { out.criteria[c][row] += one.weights[hour] * background[hour]; }
      }
    });
  };

  // Sums over people, and each home at its loudest facade.
  WhatIf.Model.prototype.under = function (scenario) {
    var table = this.table, rows = this.rowsUnder(scenario), data = table.data;
    var night = new Float64Array(data.homes), peak = new Float64Array(data.homes).fill(-Infinity);
    var passes = new Float64Array(data.homes), people = 0, row;
    for (row = 0; row < table.rows; row++) {
      people += table.people[row] * rows.passes[row];
      if (!table.ofHome[row]) { continue; }
      var own = table.home[row];
      night[own] = Math.max(night[own], rows.night[row]);
      peak[own] = Math.max(peak[own], rows.peak[row]);
      passes[own] = Math.max(passes[own], rows.led[row]);
    }
    var homes = {
      night: Array.from(night, function (energy) { return energy > 0 ? 10 * Math.log10(energy) : null; }),
      peak: Array.from(peak, function (level) { return isFinite(level) ? level : null; }),
      passes: Array.from(passes)
    };
    var over = data.criteria.map(function (one, c) {
      var limit = Math.pow(10, one.limit / 10), energies = rows.criteria[c], count = 0;
      for (var i = 0; i < table.rows; i++) {
        if (one.reached ? energies[i] >= limit : energies[i] > limit) { count += table.people[i]; }
      }
      return count;
    });
    return { homes: homes, peoplePasses: people, over: over, night: rows.night };
  };
  // People whose night level falls by a decibel or more between two answers.
  WhatIf.Model.prototype.helped = function (before, after) {
    var count = 0, less = Math.pow(10, -0.1);
    for (var row = 0; row < this.table.rows; row++) {
      if (before.night[row] > 0 && after.night[row] <= less * before.night[row]) { count += this.table.people[row]; }
    }
    return count;
  };
  // The study's own level of a home, moved by what the table says has changed.
  WhatIf.moved = function (own, before, after, least) {
    return own.map(function (level, home) {
      if (after[home] === null) { return null; }
      return level === null || before[home] === null ? after[home] : Math.max(level + after[home] - before[home], least);
    });
  };
})();
