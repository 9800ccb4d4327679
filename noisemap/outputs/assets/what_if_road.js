// The zone's ends along a road: handles in the panel and on the map, by mouse, finger and keyboard.
"use strict";
(function () {
  var WhatIf = window.WhatIf;
  var KEYS = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1, PageDown: -10, PageUp: 10 };
  var END_NAMES = { from: "Start of the zone", to: "End of the zone" };

  function make(tag, className, text) {
    var node = document.createElement(tag);
    if (className) { node.className = className; }
    if (text !== undefined) { node.textContent = text; }
    return node;
  }
  // The scenario with one end moved; the ends keep a step apart and stay on the road.
  WhatIf.moveEnd = function (data, scenario, end, metres, units) {
    var out = WhatIf.copy(scenario), gap = WhatIf.step(units), length = data.roads[scenario.road].length;
    if (end === "from") { out.from = Math.min(Math.max(metres, 0), out.to - gap); }
    else { out.to = Math.max(Math.min(metres, length), out.from + gap); }
    return out;
  };
  function slider(node, end, tell) {
    node.setAttribute("role", "slider");
    node.setAttribute("tabindex", "0");
    node.setAttribute("aria-label", END_NAMES[end]);
    node.addEventListener("keydown", function (event) {
      var steps = KEYS[event.key];
      if (steps === undefined && event.key !== "Home" && event.key !== "End") { return; }
      event.preventDefault();
      event.stopPropagation();
      tell(end, steps === undefined ? event.key : steps);
    });
  }
  function describe(node, data, scenario, end, units) {
    var size = units === "us" ? WhatIf.MILE : 1000;
    node.setAttribute("aria-valuemin", "0");
    node.setAttribute("aria-valuemax", (data.roads[scenario.road].length / size).toFixed(2));
    node.setAttribute("aria-valuenow", (scenario[end] / size).toFixed(2));
    node.setAttribute("aria-valuetext", WhatIf.along(scenario[end], units) + " along " + data.roads[scenario.road].name);
  }

  // ---- the strip in the panel: the road from end to end ----------------------------------
  WhatIf.Strip = function (data, hooks) {
    var self = this;
    this.data = data;
    this.node = make("div", "wi-strip");
    this.used = this.node.appendChild(make("div", "wi-used"));
    this.fill = this.node.appendChild(make("div", "wi-fill"));
    this.reach = this.node.appendChild(make("div", "wi-reach"));
    this.handles = {};
    ["from", "to"].forEach(function (end) {
      var handle = self.handles[end] = self.node.appendChild(make("span", "wi-handle wi-" + end, end === "from" ? "▶" : "◀"));
      slider(handle, end, hooks.step);
      handle.addEventListener("pointerdown", function (event) {
        event.preventDefault();
        handle.focus();
        handle.setPointerCapture(event.pointerId);
      });
      handle.addEventListener("pointermove", function (event) {
        if (!handle.hasPointerCapture(event.pointerId)) { return; }
        var box = self.node.getBoundingClientRect();
        hooks.move(end, (event.clientX - box.left) / box.width * self.length);
      });
      handle.addEventListener("pointerup", hooks.settle);
    });
  };
  WhatIf.Strip.prototype.show = function (scenario, reach, units) {
    var self = this, length = this.length = this.data.roads[scenario.road].length;
    function at(metres) { return 100 * metres / length + "%"; }
    if (this.road !== scenario.road) {
      this.road = scenario.road;
      this.used.textContent = "";
      this.data.brakes[scenario.road].used.forEach(function (one) {
        one.pieces.forEach(function (piece) {
          var mark = self.used.appendChild(make("div", "wi-piece"));
          mark.style.left = at(piece[0]);
          mark.style.width = 100 * (piece[1] - piece[0]) / length + "%";
        });
      });
    }
    this.fill.style.left = at(scenario.from);
    this.fill.style.width = 100 * (scenario.to - scenario.from) / length + "%";
    this.reach.style.left = reach === null ? "0" : at(reach);
    this.reach.hidden = reach === null;
    ["from", "to"].forEach(function (end) {
      self.handles[end].style.left = at(scenario[end]);
      describe(self.handles[end], self.data, scenario, end, units);
    });
  };

  // ---- the same on the map ------------------------------------------------------------------
  function pointAt(line, metres) {
    var i = 1;
    while (i < line.length - 1 && line[i][0] < metres) { i++; }
    var a = line[i - 1], b = line[i], share = Math.min(Math.max((metres - a[0]) / Math.max(b[0] - a[0], 1e-9), 0), 1);
    return [a[2] + share * (b[2] - a[2]), a[1] + share * (b[1] - a[1])];
  }
  function piece(line, from, to) {
    return [pointAt(line, from)].concat(line.filter(function (p) { return p[0] > from && p[0] < to; }).map(function (p) {
      return [p[2], p[1]];
    }), [pointAt(line, to)]);
  }
  WhatIf.nearestMetres = function (line, place) { // chainage of the road's point nearest to (north, east)
    var best = Infinity, found = 0;
    for (var i = 1; i < line.length; i++) {
      var a = line[i - 1], dx = line[i][1] - a[1], dy = line[i][2] - a[2];
      var share = Math.min(Math.max(((place.lng - a[1]) * dx + (place.lat - a[2]) * dy) / Math.max(dx * dx + dy * dy, 1e-9), 0), 1);
      var away = Math.hypot(place.lng - a[1] - share * dx, place.lat - a[2] - share * dy);
      if (away < best) { best = away; found = a[0] + share * (line[i][0] - a[0]); }
    }
    return found;
  };
  WhatIf.OnMap = function (map, data, hooks) {
    var self = this;
    this.map = map;
    this.data = data;
    this.line = L.polyline([], { color: "#7a1fa2", weight: 20, opacity: 0.45, interactive: false, lineCap: "butt" }).addTo(map);
    this.ends = {};
    this.handles = {};
    ["from", "to"].forEach(function (end) {
      var mark = self.ends[end] = L.marker([0, 0], {
        draggable: true, keyboard: false, icon: L.divIcon({ className: "wi-pin", html: make("span", "", end === "from" ? "start" : "end"), iconSize: null })
      }).addTo(map);
      slider(mark.getElement(), end, hooks.step);
      mark.on("drag", function () { hooks.move(end, WhatIf.nearestMetres(self.road(), mark.getLatLng())); });
      mark.on("dragend", hooks.settle);
    });
    this.clicks = [];
    this.onClick = function (event) {
      if (!self.drawing) { return; }
      self.clicks.push(WhatIf.nearestMetres(self.road(), event.latlng));
      if (self.clicks.length < 2) { hooks.drawn(null, self.clicks.length); return; }
      var both = self.clicks.slice().sort(function (a, b) { return a - b; });
      self.draw(false);
      hooks.drawn(both, 2);
    };
    map.on("click", this.onClick);
  };
  WhatIf.OnMap.prototype.road = function () { return this.data.roads[this.scenario.road].line; };
  WhatIf.OnMap.prototype.draw = function (on) {
    this.drawing = on;
    this.clicks = [];
    this.map.getContainer().classList.toggle("wi-drawing", on);
  };
  WhatIf.OnMap.prototype.show = function (scenario, refused, units) {
    var self = this;
    this.scenario = scenario;
    this.line.setLatLngs(piece(this.road(), scenario.from, scenario.to));
    this.line.setStyle({ dashArray: refused ? "10 7" : null });
    ["from", "to"].forEach(function (end) {
      self.ends[end].setLatLng(pointAt(self.road(), scenario[end]));
      describe(self.ends[end].getElement(), self.data, scenario, end, units);
    });
  };
  WhatIf.OnMap.prototype.bounds = function () { return this.line.getBounds(); };
  WhatIf.OnMap.prototype.remove = function () {
    this.map.off("click", this.onClick);
    this.line.remove();
    this.ends.from.remove();
    this.ends.to.remove();
    this.draw(false);
  };
})();
