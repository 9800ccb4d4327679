// The what-if's table: unpacked once, then every zone is a product over it. No page is touched here.
"use strict";
(function () {
  var WhatIf = window.WhatIf = window.WhatIf || {};
  var KINDS = { u1: Uint8Array, i2: Int16Array, u2: Uint16Array, f4: Float32Array };
  var NONE = -32768, AT_ONCE = 500;

  function bytesOf(text) {
    var plain = atob(text), bytes = new Uint8Array(plain.length);
    for (var i = 0; i < plain.length; i++) { bytes[i] = plain.charCodeAt(i); }
    return bytes;
  }
  async function unpacked(data) {
    if (typeof DecompressionStream === "undefined") {
      throw new Error("This browser is too old to unpack the table; the study's own zones stand below.");
    }
    var stream = new Blob([bytesOf(data.block)]).stream().pipeThrough(new DecompressionStream("gzip"));
    var buffer = await new Response(stream).arrayBuffer(), arrays = {};
    Object.keys(data.arrays).forEach(function (name) {
      var place = data.arrays[name], size = place[2].reduce(function (a, b) { return a * b; }, 1);
      arrays[name] = new KINDS[place[0]](buffer, place[1], size);
      if (place[0] !== "f4") { summed(arrays[name], place[2][place[2].length - 1]); }
    });
    return arrays;
  }
  function summed(values, length) { // whole numbers come as differences along their last axis
    for (var start = 0; start < values.length; start += length) {
      for (var i = start + 1; i < start + length; i++) { values[i] += values[i - 1]; }
    }
  }
  function fromFirst(values, shapes, pieces) { // all shapes but the first come as differences from it
    for (var row = 0; row < values.length; row += shapes * pieces) {
      for (var i = row + pieces; i < row + shapes * pieces; i++) { values[i] += values[row + (i - row) % pieces]; }
    }
  }
  function energies(centi) { // of levels in hundredths of a decibel
    return Float64Array.from(centi, function (value) { return value === NONE ? 0 : Math.pow(10, value / 1000); });
  }
  function halfEnergies(codes) {
    var table = Float64Array.from({ length: 256 }, function (unused, code) { return code ? Math.pow(10, code / 20) : 0; });
    return Float64Array.from(codes, function (code) { return table[code]; });
  }
  function pause() { return new Promise(function (done) { setTimeout(done, 0); }); }

  // A growing list of the pieces of road at which a pass can be loudest.
  function Growing(kind) { this.kind = kind; this.values = new kind(4096); this.count = 0; }
  Growing.prototype.push = function (value) {
    if (this.count === this.values.length) {
      var more = new this.kind(2 * this.count);
      more.set(this.values);
      this.values = more;
    }
    this.values[this.count++] = value;
  };

  function wayOf(data, arrays, number, rows) {
    var plain = data.ways[number], trucks = plain.trucks.length, places = plain.pieces.length;
    var quiet = energies(arrays["quiet" + number]), floor = energies(arrays["floor" + number]);
    return {
      road: plain.road, direction: plain.direction, trucks: plain.trucks, share: plain.share,
      perHour: plain.perHour, shape: plain.shape, pieces: plain.pieces, places: places,
      energy: energies(arrays["energy" + number]), peak: energies(arrays["peak" + number]),
      power: energies(arrays["power" + number]), quiet: quiet, floor: floor,
      sums: new Float32Array(data.states.length * rows * (places + 1)),
      start: new Uint32Array(rows * trucks * data.states.length + 1),
      place: new Growing(Uint16Array), level: new Growing(Float32Array), led: new Growing(Uint8Array)
    };
  }

  // One row of one way: running sums of the exhaust's energy, and the pieces that can be its loudest.
  function fill(table, way, row, t, run, gain) {
    var states = table.states.length, trucks = way.trucks.length, places = way.places;
    var free = table.free, lead = table.lead, state, truck, j, k, at;
    for (state = 0; state < states; state++) {
      var base = (row * states + state) * (places + 1);
      for (truck = 0; truck < trucks; truck++) {
        var own = way.share[truck], sum = 0;
        k = (state * trucks + truck) * places;
        at = way.shape[state][truck] * places;
        if (!(own > 0)) { continue; }
        for (j = 0; j < places; j++) {
          sum += own * t[at + j] * way.energy[k + j];
          way.sums[base + j + 1] += sum;
        }
      }
    }
    for (truck = 0; truck < trucks; truck++) {
      var floor = way.floor[truck * table.rows + row];
      for (state = 0; state < states; state++) {
        k = (state * trucks + truck) * places;
        at = way.shape[state][truck] * places;
        for (j = 0; j < places; j++) {
          var exhaust = t[at + j] * way.peak[k + j], both = exhaust + run[j] * way.power[truck * places + j];
          free[j] = exhaust > 0 ? both * gain[j] : 0;
          lead[j] = exhaust >= table.led * both ? 1 : 0;
        }
        records(table, way, places, floor);
        way.start[(row * trucks + truck) * states + state + 1] = way.place.count;
      }
    }
  }
  // A zone leaves a beginning and an end of the road: only pieces louder than all before or all behind count.
  function records(table, way, places, floor) {
    var free = table.free, behind = table.behind, before = floor, j;
    behind[places] = floor;
    for (j = places - 1; j >= 0; j--) { behind[j] = Math.max(behind[j + 1], free[j]); }
    for (j = 0; j < places; j++) {
      if (free[j] > before || free[j] > behind[j + 1]) {
        way.place.push(j);
        way.level.push(10 * Math.log10(free[j]));
        way.led.push(table.lead[j]);
      }
      before = Math.max(before, free[j]);
    }
  }

  // The table ready for products; tells its progress, and lets the page breathe meanwhile.
  WhatIf.table = async function (data, tell) {
    var arrays = await unpacked(data), shape = data.arrays.attenuation[2];
    var rows = shape[0], shapes = shape[1], pieces = shape[2], step = data.codes.step;
    fromFirst(arrays.attenuation, shapes, pieces);
    var table = {
      data: data, states: data.states, rows: rows, led: data.passes.led, arrays: arrays,
      home: arrays.home, people: arrays.people, ofHome: arrays.ofHome,
      light: halfEnergies(arrays.light), heavy: halfEnergies(arrays.heavy),
      free: new Float64Array(pieces), lead: new Uint8Array(pieces), behind: new Float64Array(pieces + 1),
      otherByHour: arrays.otherByHour ? halfEnergies(arrays.otherByHour) : null
    };
    var lost = Float64Array.from({ length: 256 }, function (unused, code) {
      return code === data.codes.nothing ? 0 : Math.pow(10, -code * step / 10);
    });
    var raised = Float64Array.from({ length: 256 }, function (unused, code) {
      return Math.pow(10, (data.codes.gainFrom + code * step) / 10);
    });
    table.ways = data.ways.map(function (unused, number) { return wayOf(data, arrays, number, rows); });
    var t = new Float64Array(shapes * pieces), run = new Float64Array(pieces), gain = new Float64Array(pieces);
    for (var row = 0; row < rows; row++) {
      for (var number = 0; number < table.ways.length; number++) {
        var way = table.ways[number];
        for (var j = 0; j < way.places; j++) {
          var piece = way.pieces[j], cell = row * pieces + piece;
          run[j] = lost[arrays.running[cell]];
          gain[j] = raised[arrays.gain[cell]];
          for (var one = 0; one < shapes; one++) {
            t[one * way.places + j] = lost[arrays.attenuation[(row * shapes + one) * pieces + piece]];
          }
        }
        fill(table, way, row, t, run, gain);
      }
      if (row % AT_ONCE === AT_ONCE - 1) {
        if (tell) { tell(row / rows); }
        await pause();
      }
    }
    table.ways.forEach(function (way) {
      way.floorLevel = Float32Array.from(way.floor, function (value) { return value > 0 ? 10 * Math.log10(value) : -Infinity; });
      ["place", "level", "led"].forEach(function (name) { way[name] = way[name].values.slice(0, way[name].count); });
    });
    ["attenuation", "running", "gain", "light", "heavy"].forEach(function (name) { delete arrays[name]; });
    return table;
  };
})();
