// The panel of the what-if: controls, results beside each other, scenarios. Text reaches it by textContent only.
"use strict";
(function () {
  var WhatIf = window.WhatIf;
  var DAY = 24, ALOUD_MS = 500, COLD_C = 20;
  var number = 0;

  function make(tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text !== undefined) { node.textContent = text; }
    return node;
  }
  function clear(node) { while (node.firstChild) { node.removeChild(node.firstChild); } }
  function button(text, press, className) {
    var node = make("button", className, text);
    node.type = "button";
    node.addEventListener("click", press);
    return node;
  }
  function field(label, input, after) {
    var box = make("label", "wi-field"), id = "wi-" + (++number);
    input.id = id;
    box.htmlFor = id;
    box.appendChild(make("span", "", label));
    box.appendChild(input);
    if (after) { box.appendChild(after); }
    return box;
  }
  function group(title) {
    var box = make("fieldset", "wi-group");
    box.appendChild(make("legend", "", title));
    return box;
  }
  function input(type, least, most, step) {
    var node = make("input");
    node.type = type;
    node.min = least;
    node.max = most;
    node.step = step;
    return node;
  }
  WhatIf.make = make;
  WhatIf.clear = clear;

  // `act` has: change(scenario, kind), settle(), undo(), redo(), keep(), use(i), drop(i), export(), draw(), units(name)
  WhatIf.Panel = function (root, data, act, options) {
    var self = this;
    this.data = data;
    this.act = act;
    this.root = root;
    clear(root);
    root.classList.add("wi");
    root.appendChild(make("p", "wi-lead", "Move the zone's ends, choose hours and who is bound; homes and brakes follow at once."));
    root.appendChild(this.where(options));
    this.result = root.appendChild(make("section", "wi-result"));
    this.result.setAttribute("aria-label", "What follows");
    root.appendChild(this.when());
    root.appendChild(this.who());
    root.appendChild(this.trucks());
    this.table = root.appendChild(make("section"));
    this.table.setAttribute("aria-label", "Hottest brakes by weight");
    root.appendChild(this.bar(options));
    this.aloud = root.appendChild(make("p", "wi-aloud"));
    this.aloud.setAttribute("role", "status");
    this.aloud.setAttribute("aria-live", "polite");
    this.kept = root.appendChild(make("section", "wi-kept"));
    this.kept.setAttribute("aria-label", "Kept scenarios");
    root.appendChild(this.doubts());
    this.timer = 0;
    self.said = "";
  };
  var P = WhatIf.Panel.prototype;

  P.edit = function (kind, change) {
    var next = WhatIf.copy(this.scenario);
    change(next);
    this.act.change(next, kind);
  };
  P.bar = function (options) {
    var box = make("div", "wi-bar"), self = this;
    this.name = input("text", "", "", "");
    this.name.maxLength = 80;
    this.name.addEventListener("input", function () { self.edit("name", function (one) { one.name = self.name.value || "Tried zone"; }); });
    box.appendChild(field("Name", this.name));
    box.appendChild(button("Keep as a scenario", this.act.keep));
    this.export = box.appendChild(button(options.exportLabel, this.act.export));
    this.message = make("p", "wi-message");
    this.message.setAttribute("role", "status");
    box.appendChild(this.message);
    return box;
  };
  P.where = function (options) {
    var box = group("Where"), self = this;
    this.road = make("select");
    this.data.roads.forEach(function (road, index) {
      var one = make("option", "", road.name);
      one.value = index;
      self.road.appendChild(one);
    });
    this.road.addEventListener("change", function () {
      self.edit("", function (one) {
        var ends = self.data.brakes[Number(self.road.value)].ends;
        one.road = Number(self.road.value);
        one.from = ends[0];
        one.to = ends[ends.length - 1];
      });
    });
    box.appendChild(field("Road", this.road));
    this.strip = new WhatIf.Strip(this.data, { step: this.act.step, move: this.act.move, settle: this.act.settle });
    box.appendChild(this.strip.node);
    box.appendChild(this.place = make("p", "wi-place"));
    box.appendChild(this.reach = make("p", "wi-note"));
    var row = box.appendChild(make("div", "wi-row"));
    this.undo = row.appendChild(button("Undo", this.act.undo));
    this.redo = row.appendChild(button("Redo", this.act.redo));
    if (options.map) { row.appendChild(this.draw = button("Draw on the map", this.act.draw)); }
    var units = row.appendChild(make("select"));
    [["us", "miles, °F"], ["metric", "kilometres, °C"]].forEach(function (pair) {
      var one = make("option", "", pair[1]);
      one.value = pair[0];
      units.appendChild(one);
    });
    units.setAttribute("aria-label", "Units");
    units.addEventListener("change", function () { self.act.units(units.value); });
    this.units = units;
    box.appendChild(make("p", "wi-note", "Handles move by mouse or finger; by arrow keys in steps of 10 m or 50 ft, by page keys in ten of them."));
    if (this.data.leftOut.length) { box.appendChild(make("p", "wi-note", "Not in this table: zones on " + this.data.leftOut.join(", ") + ".")); }
    return box;
  };
  P.when = function () {
    var box = group("When"), self = this, grid = make("div", "wi-hours");
    var presets = box.appendChild(make("div", "wi-row"));
    function preset(label, hours) {
      presets.appendChild(button(label, function () { self.edit("", function (one) { one.hours = hours.slice(); }); }));
    }
    preset("All day", Array.from({ length: DAY }, function (unused, hour) { return hour; }));
    preset("Study's night", this.data.night);
    preset("Day only", Array.from({ length: DAY }, function (unused, hour) { return hour; }).filter(function (hour) { return self.data.night.indexOf(hour) < 0; }));
    this.hours = [];
    for (var hour = 0; hour < DAY; hour++) { grid.appendChild(this.hourBox(hour)); }
    box.appendChild(grid);
    box.appendChild(this.hoursText = make("p", "wi-place"));
    return box;
  };
  P.hourBox = function (hour) {
    var label = make("label", "wi-hour"), check = make("input"), self = this;
    check.type = "checkbox";
    check.setAttribute("aria-label", hour + ":00 to " + (hour + 1) + ":00");
    check.addEventListener("change", function () {
      self.edit("", function (one) {
        one.hours = self.hours.map(function (node, at) { return node.checked ? at : -1; }).filter(function (at) { return at >= 0; });
      });
    });
    this.hours.push(check);
    label.appendChild(check);
    label.appendChild(make("span", "", String(hour)));
    return label;
  };
  P.who = function () {
    var box = group("Who"), self = this, name = "wi-binds-" + (++number);
    this.binds = Object.keys(this.data.binds).map(function (rule) {
      var label = box.appendChild(make("label", "wi-choice")), radio = make("input");
      radio.type = "radio";
      radio.name = name;
      radio.value = rule;
      radio.addEventListener("change", function () { self.edit("", function (one) { one.binds = rule; }); });
      label.appendChild(radio);
      label.appendChild(make("span", "", self.data.binds[rule]));
      return radio;
    });
    this.observance = input("range", 0, 100, 5);
    this.observanceText = make("output");
    this.observance.addEventListener("input", function () { self.edit("observance", function (one) { one.observance = self.observance.value / 100; }); });
    box.appendChild(field("Observed by", this.observance, this.observanceText));
    return box;
  };
  P.trucks = function () {
    var box = group("Trucks"), self = this;
    this.flow = input("range", 0, 300, 10);
    this.flowText = make("output");
    this.flow.addEventListener("input", function () { self.edit("flow", function (one) { one.flow = self.flow.value / 100; }); });
    box.appendChild(field("Truck flow", this.flow, this.flowText));
    this.counted = make("input");
    this.counted.type = "checkbox";
    this.counted.addEventListener("change", function () {
      self.edit("", function (one) { one.shares = self.counted.checked ? null : self.mean(); });
    });
    var label = box.appendChild(make("label", "wi-choice"));
    label.appendChild(this.counted);
    label.appendChild(make("span", "", "exhausts as counted"));
    this.shares = {};
    var grid = box.appendChild(make("div", "wi-shares"));
    this.data.states.slice().reverse().forEach(function (state) {
      var one = self.shares[state] = input("number", 0, 100, 1);
      one.addEventListener("change", function () { self.share(state, Number(one.value) / 100); });
      grid.appendChild(field(WhatIf.STATE_WORDS[state] + ", %", one));
    });
    box.appendChild(make("p", "wi-note", "The four shares always sum to 100: a change is taken from the others in proportion."));
    return box;
  };
  WhatIf.STATE_WORDS = { straight: "no muffler", worn: "worn or gutted", muffled: "muffled", after_treatment: "after-treatment" };
  P.mean = function () { // shares of all braking passes of the day
    var data = this.data, sums = data.states.map(function (unused, state) {
      return data.ways.reduce(function (sum, way) { return sum + way.perHour[state].reduce(function (a, b) { return a + b; }, 0); }, 0);
    });
    var all = sums.reduce(function (a, b) { return a + b; }, 0), out = {};
    data.states.forEach(function (state, place) { out[state] = all > 0 ? sums[place] / all : 0.25; });
    return out;
  };
  P.share = function (state, value) {
    var wanted = Math.min(Math.max(isFinite(value) ? value : 0, 0), 1), states = this.data.states, old = this.scenario.shares || this.mean();
    var rest = 1 - old[state], out = {};
    states.forEach(function (one) {
      out[one] = one === state ? wanted : rest > 1e-9 ? old[one] * (1 - wanted) / rest : (1 - wanted) / (states.length - 1);
    });
    this.edit("", function (one) { one.shares = out; });
  };
  P.doubts = function () {
    var box = make("section", "wi-doubts");
    box.appendChild(make("h3", "", "What this cannot tell"));
    box.appendChild(make("p", "", this.data.note));
    var list = box.appendChild(make("ul"));
    ["Brakes are those of the search's grid: an end between two grid points counts as the next one outward.",
      this.data.brakes.every(function (one) { return one.linear; }) ? "" : "Brakes are screened with the default heat balance, not with the study's own preset; run the zone in the study.",
      "Drivers who obey are taken to keep their speed.",
      "The cautions that the study's report and map list hold for every figure here."].forEach(function (text) {
      if (text) { list.appendChild(make("li", "", text)); }
    });
    return box;
  };

  // ---- showing a state -----------------------------------------------------------------------
  P.show = function (state) {
    var scenario = this.scenario = state.scenario, units = state.units, self = this;
    if (document.activeElement !== this.name) { this.name.value = scenario.name; }
    this.undo.disabled = !state.canUndo;
    this.redo.disabled = !state.canRedo;
    this.road.value = String(scenario.road);
    this.units.value = units;
    this.strip.show(scenario, state.reach, units);
    this.place.textContent = WhatIf.along(scenario.from, units) + " to " + WhatIf.along(scenario.to, units) + ", " +
      WhatIf.length(scenario.to - scenario.from, units) + " long";
    this.reach.textContent = state.reach === null ? "No truck with sound brakes is over its limit however far the zone reaches from this start." :
      state.reach <= scenario.from + 1 ? "From this start no zone is allowed: the first trucks are over their limit at once." :
      "From this start the zone may reach " + WhatIf.along(state.reach, units) + "; beyond it trucks with sound brakes are over their limit.";
    this.hours.forEach(function (node, hour) { node.checked = scenario.hours.indexOf(hour) >= 0; });
    this.hoursText.textContent = WhatIf.hoursText(scenario.hours);
    this.binds.forEach(function (radio) { radio.checked = radio.value === scenario.binds; });
    this.observance.value = Math.round(100 * scenario.observance);
    this.observanceText.textContent = Math.round(100 * scenario.observance) + " % of those it binds";
    this.flow.value = Math.round(100 * scenario.flow);
    this.flowText.textContent = scenario.flow === 1 ? "as counted" : scenario.flow.toFixed(1) + " times as counted";
    this.counted.checked = !scenario.shares;
    var shares = scenario.shares || this.mean();
    this.data.states.forEach(function (one) {
      self.shares[one].value = (100 * shares[one]).toFixed(1).replace(".0", "");
      self.shares[one].disabled = !scenario.shares;
    });
    this.showResult(state);
    this.showKept(state);
  };
  P.showResult = function (state) {
    var box = this.result, found = state.found, units = state.units;
    clear(box);
    var refused = found.verdict.word === "refused for brakes";
    box.appendChild(make("p", "wi-verdict" + (refused ? " wi-refused" : ""), (refused ? "✕ " : found.verdict.word === "worth signing" ? "✓ " : "● ") + found.verdict.word));
    box.appendChild(make("p", "wi-sentence", found.verdict.sentence));
    var both = box.appendChild(make("div", "wi-both"));
    both.appendChild(this.quietBar(found));
    both.appendChild(this.brakeBars(found, units));
    clear(this.table);
    this.table.appendChild(this.brakeTable(found, units));
    var self = this;
    clearTimeout(this.timer);
    this.timer = setTimeout(function () {
      if (self.said !== found.verdict.sentence) { self.aloud.textContent = self.said = found.verdict.sentence; }
    }, ALOUD_MS);
  };
  function bar(share, className) {
    var track = make("div", "wi-track"), fill = track.appendChild(make("div", className));
    track.setAttribute("aria-hidden", "true");
    fill.style.width = 100 * Math.min(Math.max(share, 0), 1) + "%";
    return track;
  }
  P.quietBar = function (found) {
    var box = make("section"), data = this.data;
    box.appendChild(make("h3", "", "Quiet gained"));
    box.appendChild(make("p", "wi-figure", WhatIf.count(Math.max(found.spared, 0))));
    box.appendChild(bar(found.today > 0 ? found.spared / found.today : 0, "wi-quiet"));
    box.appendChild(make("p", "", "fewer passes of braking trucks a night above " + data.passes.level + " dB, people × passes: " +
      WhatIf.count(found.today) + " now, " + WhatIf.count(found.after) + " then"));
    if (Math.abs(found.zoneAlone - found.spared) > 0.05) {
      box.appendChild(make("p", "", "of these by the zone alone, with the same trucks: " + WhatIf.count(Math.max(found.zoneAlone, 0))));
    }
    box.appendChild(make("p", "", "Night level 1 dB or more lower for " + WhatIf.count(found.helped) + " people"));
    data.criteria.forEach(function (one, place) {
      box.appendChild(make("p", "wi-over", "People over " + one.label + ": " + WhatIf.count(found.overNow[place]) + " now, " + WhatIf.count(found.over[place]) + " then"));
    });
    return box;
  };
  P.brakeBars = function (found, units) {
    var box = make("section"), data = this.data, limits = data.limits;
    box.appendChild(make("h3", "", "Brake reserve"));
    var rows = found.brakes.filter(function (row) { return row.condition === "normal" && row.equipped; });
    if (!rows.length) { box.appendChild(make("p", "", "The zone takes no work from any retarder.")); }
    rows.forEach(function (row) {
      var left = limits.planning - row.zone, no = WhatIf.forbids(row, limits), over = left < -1e-6;
      box.appendChild(make("p", "wi-truck", data.trucks[row.truck].name));
      box.appendChild(bar(over ? 1 : left / (limits.planning - COLD_C), over ? "wi-none" : "wi-reserve"));
      box.appendChild(make("p", over ? "wi-no" : "", no ? "✕ not allowed: " + WhatIf.room(-left, units) + " over the planning limit" :
        over ? "✕ over the planning limit even without the zone" : WhatIf.room(left, units) + " left below the planning limit"));
    });
    box.appendChild(make("p", "wi-note", "Sound brakes; screening estimate with a full stop in it."));
    return box;
  };
  P.brakeTable = function (found, units) {
    var table = make("table", "wi-brakes"), data = this.data, shown = data.conditions.filter(function (condition) {
      return found.brakes.some(function (row) { return row.condition === condition; });
    });
    if (!shown.length) { return make("p", "", ""); }
    table.appendChild(make("caption", "", "Hottest brakes with the zone, by truck weight; planning limit " + WhatIf.degrees(data.limits.planning, units)));
    var head = table.appendChild(make("thead")).appendChild(make("tr"));
    ["Truck"].concat(shown.map(function (condition) { return condition === "normal" ? "sound brakes" : condition; })).forEach(function (text) {
      head.appendChild(make("th", "", text)).scope = "col";
    });
    var body = table.appendChild(make("tbody")), seen = [];
    found.brakes.forEach(function (row) {
      var key = row.truck + " " + row.direction;
      if (seen.indexOf(key) >= 0) { return; }
      seen.push(key);
      var line = body.appendChild(make("tr"));
      line.appendChild(make("th", "", data.trucks[row.truck].name)).scope = "row";
      shown.forEach(function (condition) {
        var own = found.brakes.find(function (one) { return one.truck === row.truck && one.direction === row.direction && one.condition === condition; });
        var cell = line.appendChild(make("td", "", own ? "" : "–"));
        if (own) {
          var over = own.zone > data.limits.planning;
          cell.textContent = (over ? "✕ " : "") + WhatIf.degrees(own.zone, units) + (WhatIf.forbids(own, data.limits) && condition === "normal" ? " not allowed" : over ? " over" : "");
          cell.className = over ? "wi-no" : "";
        }
      });
    });
    var frame = make("div", "wi-wide");
    frame.appendChild(table);
    return frame;
  };
  P.showKept = function (state) {
    var box = this.kept, act = this.act, units = state.units, data = this.data;
    if (this.keptShown === state.kept.length + units) { return; }
    this.keptShown = state.kept.length + units;
    clear(box);
    if (!state.kept.length) { return; }
    box.appendChild(make("h3", "", "Kept scenarios, side by side"));
    var table = make("table"), lines = [
      ["Where", function (one) { return data.roads[one.scenario.road].name + ", " + WhatIf.along(one.scenario.from, units) + " to " + WhatIf.along(one.scenario.to, units); }],
      ["When", function (one) { return WhatIf.hoursText(one.scenario.hours); }],
      ["Who", function (one) { return data.binds[one.scenario.binds] + ", " + Math.round(100 * one.scenario.observance) + " % obey"; }],
      ["Trucks", function (one) { return (one.scenario.flow === 1 ? "as counted" : one.scenario.flow.toFixed(1) + " times as counted") + (one.scenario.shares ? ", other exhausts" : ""); }],
      ["People × loud passes spared a night", function (one) { return WhatIf.count(Math.max(one.found.spared, 0)); }],
      ["Hottest sound brakes", function (one) {
        var rows = one.found.brakes.filter(function (row) { return row.condition === "normal" && row.equipped; });
        return rows.length ? WhatIf.degrees(Math.max.apply(null, rows.map(function (row) { return row.zone; })), units) : "no retarder used there";
      }],
      ["Finding", function (one) { return one.found.verdict.word; }]
    ];
    var head = table.appendChild(make("thead")).appendChild(make("tr"));
    head.appendChild(make("td", "", ""));
    state.kept.forEach(function (one, index) {
      var cell = head.appendChild(make("th", "", one.scenario.name));
      cell.scope = "col";
      cell.appendChild(make("br"));
      cell.appendChild(button("Use", function () { act.use(index); })).setAttribute("aria-label", "Use " + one.scenario.name);
      cell.appendChild(button("Remove", function () { act.drop(index); })).setAttribute("aria-label", "Remove " + one.scenario.name);
    });
    var body = table.appendChild(make("tbody"));
    lines.forEach(function (pair) {
      var line = body.appendChild(make("tr"));
      line.appendChild(make("th", "", pair[0])).scope = "row";
      state.kept.forEach(function (one) { line.appendChild(make("td", "", pair[1](one))); });
    });
    box.appendChild(make("div", "wi-wide")).appendChild(table);
  };
  P.tell = function (text) { this.message.textContent = text; };
})();
