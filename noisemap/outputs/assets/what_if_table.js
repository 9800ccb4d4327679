// The what-if's table: unpacked once, then every zone is a product over it. No page is touched here.
"use strict";
(function () {
  var WhatIf = window.WhatIf = window.WhatIf || {};
  var KINDS = { u1: Uint8Array, i2: Int16Array, u2: Uint16Array, f4: Float32Array };
  var NONE = -32768, BANDS = 8, AT_ONCE = 250;

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
    });
    return arrays;
  }
  function energies(centi) { // of levels in hundredths of a decibel
    return Float64Array.from(centi, function (value) { return value === NONE ? 0 : Math.pow(10, value / 1000); });
  }
  function halfEnergies(codes) {
    var table = Float64Array.from({ length: 256 }, function (unused, code) { return code ? Math.pow(10, code / 20) : 0; });
    return Float64Array.from(codes, function (code) { return table[code]; });
  }
  function pause() { return new Promise(function (done) { setTimeout(done, 0); }); }

  // A growing list of the stretches at which a pass can be loudest.
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
    var plain = data.ways[number], trucks = plain.trucks.length, places = plain.columns.length;
    var quiet = energies(arrays["quiet" + number]), floor = energies(arrays["floor" + number]);
    return {
      road: plain.road, direction: plain.direction, trucks: plain.trucks, share: plain.share,
      perHour: plain.perHour, columns: plain.columns, places: places,
      energy: energies(arrays["energy" + number]), peak: energies(arrays["peak" + number]),
      power: energies(arrays["power" + number]), quiet: quiet, floor: floor,
      sums: new Float32Array(data.states.length * rows * (places + 1)),
      start: new Uint32Array(rows * trucks * data.states.length + 1),
      place: new Growing(Uint16Array), level: new Growing(Float32Array), led: new Growing(Uint8Array)
    };
  }

  // One row of one way: running sums of the exhaust's energy, and the stretches that can be its loudest.
  function fill(table, way, row, t, run, gain) {
    var states = table.states.length, trucks = way.trucks.length, places = way.places, size = table.width;
    var free = table.free, lead = table.lead, state, truck, j, b, k;
    for (state = 0; state < states; state++) {
      var sum = 0, base = (state * table.rows + row) * (places + 1);
      for (j = 0; j < places; j++) {
        way.sums[base + j] = sum;
        for (b = 0, k = (state * places + j) * size; b < size; b++) { sum += t[j * size + b] * way.energy[k + b]; }
      }
      way.sums[base + places] = sum;
    }
    for (truck = 0; truck < trucks; truck++) {
      var floor = way.floor[truck * table.rows + row];
      for (state = 0; state < states; state++) {
        for (j = 0; j < places; j++) {
          var exhaust = 0, low = run[j] * way.power[truck * places + j];
          k = ((state * trucks + truck) * places + j) * size;
          for (b = 0; b < size; b++) { exhaust += t[j * size + b] * way.peak[k + b]; }
          free[j] = exhaust > 0 ? (exhaust + low) * gain[j] : 0;
          lead[j] = exhaust >= table.led * (exhaust + low) ? 1 : 0;
        }
        records(way, free, lead, places, floor);
        way.start[(row * trucks + truck) * states + state + 1] = way.place.count;
      }
    }
  }
  // A zone leaves a beginning and an end of the road: only stretches louder than all before or all behind count.
  function records(way, free, lead, places, floor) {
    var behind = new Float64Array(places + 1), before = floor, j;
    behind[places] = floor;
    for (j = places - 1; j >= 0; j--) { behind[j] = Math.max(behind[j + 1], free[j]); }
    for (j = 0; j < places; j++) {
      if (free[j] > before || free[j] > behind[j + 1]) {
        way.place.push(j);
        way.level.push(10 * Math.log10(free[j]));
        way.led.push(lead[j]);
      }
      before = Math.max(before, free[j]);
    }
  }

  // The table ready for products; tells its progress, and lets the page breathe meanwhile.
  WhatIf.table = async function (data, tell) {
    var arrays = await unpacked(data), shape = data.arrays.attenuation[2];
    var rows = shape[2], columns = shape[3], width = shape[0] * BANDS, step = data.codes.step;
    var table = {
      data: data, states: data.states, rows: rows, width: width, led: data.passes.led, arrays: arrays,
      home: arrays.home, people: arrays.people, ofHome: arrays.ofHome,
      light: halfEnergies(arrays.light), heavy: halfEnergies(arrays.heavy),
      free: new Float64Array(columns), lead: new Uint8Array(columns),
      otherByHour: arrays.otherByHour ? halfEnergies(arrays.otherByHour) : null
    };
    var lost = Float64Array.from({ length: 256 }, function (unused, code) {
      return code === data.codes.nothing ? 0 : Math.pow(10, -code * step / 10);
    });
    var raised = Float64Array.from({ length: 256 }, function (unused, code) {
      return Math.pow(10, (data.codes.gainFrom + code * step) / 10);
    });
    table.ways = data.ways.map(function (unused, number) { return wayOf(data, arrays, number, rows); });
    var t = new Float64Array(columns * width), run = new Float64Array(columns), gain = new Float64Array(columns);
    for (var row = 0; row < rows; row++) {
      for (var number = 0; number < table.ways.length; number++) {
        var way = table.ways[number];
        for (var j = 0; j < way.places; j++) {
          var cell = row * columns + way.columns[j];
          run[j] = lost[arrays.running[cell]];
          gain[j] = raised[arrays.gain[cell]];
          for (var b = 0; b < width; b++) { t[j * width + b] = lost[arrays.attenuation[b * rows * columns + cell]]; }
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
    delete arrays.attenuation;
    return table;
  };
})();
