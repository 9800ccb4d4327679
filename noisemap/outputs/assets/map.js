// The map's own script. All data comes from the one JSON block; every text from
// it reaches the page through textContent only.
"use strict";
(function () {
  var map = window.map_noisemap;
  var data = JSON.parse(document.getElementById("study-data").textContent);
  var homes = data.homes;
  var state = { view: "before", zone: 0, indicator: "passes", home: -1 };

  // ---- small helpers -------------------------------------------------------
  function byId(id) { return document.getElementById(id); }
  function make(tag, text, className) {
    var node = document.createElement(tag);
    if (text !== undefined) { node.textContent = text; }
    if (className) { node.className = className; }
    return node;
  }
  function lines(texts) {
    var box = make("div", undefined, "tip");
    texts.forEach(function (text, index) { if (text) { box.appendChild(make(index ? "div" : "strong", text)); } });
    return box;
  }
  function clear(node) { while (node.firstChild) { node.removeChild(node.firstChild); } }
  function place(index) { return [homes.y[index], homes.x[index]]; }
  function indicator() { return data.indicators.find(function (item) { return item.key === state.indicator; }); }
  function bandOf(bands, value) {
    var chosen = 0;
    if (value === null) { return chosen; }
    bands.forEach(function (band, index) { if (band.low !== null && value >= band.low) { chosen = index; } });
    return chosen;
  }
  function counted(key) {
    return data.indicators.some(function (item) { return item.key === key && item.counts; });
  }
  function whole(value) { return Math.round(value).toString(); }
  function few(value, nothing) {
    if (value < 0.05) { return nothing || "none"; }
    return value < 9.95 ? value.toFixed(1).replace(".0", "") : whole(value);
  }

  // ---- marks that differ in shape as well as in colour ----------------------
  L.Canvas.include({
    _updateMark: function (layer) {
      if (!this._drawing || layer._empty()) { return; }
      var p = layer._point, c = this._ctx, r = Math.max(layer._radius, 1);
      c.beginPath();
      if (layer.options.shape === "triangle") {
        c.moveTo(p.x, p.y - 1.3 * r); c.lineTo(p.x + 1.2 * r, p.y + r); c.lineTo(p.x - 1.2 * r, p.y + r);
      } else if (layer.options.shape === "square") {
        c.rect(p.x - r, p.y - r, 2 * r, 2 * r);
      } else {
        c.arc(p.x, p.y, r, 0, 2 * Math.PI);
      }
      c.closePath();
      this._fillStroke(c, layer);
    }
  });
  var Mark = L.CircleMarker.extend({ _updatePath: function () { this._renderer._updateMark(this); } });

  // ---- what one home shows ---------------------------------------------------
  // A level that is null means: no braking truck is heard there in the model.
  function fall(index, key, zone) {
    var before = homes.before[key][index], after = homes.after[zone][key][index];
    if (before === null) { return 0; }
    if (after === null) { return counted(key) ? before : Infinity; }
    if (key === "night" && homes.nightQuieter[zone][index] !== null) { return homes.nightQuieter[zone][index]; }
    return before - after;
  }
  function shown(index) {
    if (state.view === "quieter") { return fall(index, state.indicator, state.zone); }
    var levels = state.view === "after" ? homes.after[state.zone] : homes.before;
    return levels[state.indicator][index];
  }
  function bands() { return state.view === "quieter" ? indicator().differenceBands : indicator().bands; }
  function louder(value) { return state.view === "quieter" && value !== null && value <= -0.1; }
  var size = homes.x.length > 1500 ? 0.6 : 1; // a crowd of homes must not hide the road
  function markStyle(index) {
    var value = shown(index), all = bands();
    if (louder(value)) {
      return { radius: 8, fillColor: "#ffffff", color: "#000000", weight: 2.5, fillOpacity: 1, shape: "triangle" };
    }
    var band = all[bandOf(all, value)];
    return {
      radius: size * band.radius, fillColor: band.colour, color: "#1a1a1a", weight: 1, fillOpacity: 0.95,
      shape: homes.kind[index] === "home" ? "circle" : "square"
    };
  }
  function passes(value) { var text = few(value, "no"); return text + (text === "1" ? " pass" : " passes"); }
  function loud(level, words) { return level === null ? "no braking truck is heard" + words : null; }

  function homeName(index) {
    var name = homes.label[index] || homes.id[index];
    return name + " (home " + (index + 1) + (homes.kind[index] === "home" ? "" : ", " + homes.kind[index]) + ")";
  }
  var SURE = {
    "1": "; that the night gets noticeably quieter here, by 1 dB or more, is certain (95 of 100 samples)",
    "0": "; whether the night gets noticeably quieter here is not certain",
    "-1": "; that nothing noticeable changes here at night is certain (95 of 100 samples)"
  };
  function homeSentence(index) {
    var now = homes.before, zone = data.zones.length ? homes.after[state.zone] : null;
    var level = data.indicators[2].level, name = data.zones.length ? "zone " + (state.zone + 1) : "";
    var text = homeName(index) + ": " + passes(now.passes[index] || 0) + " a night above " + level + " dB now";
    if (zone) { text += ", " + few(zone.passes[index] || 0) + " with " + name; }
    text += "; " + (loud(now.peak[index], " in the model") || "the loudest pass reaches " + whole(now.peak[index]) + " dB now");
    if (zone && now.peak[index] !== null) {
      text += zone.peak[index] === null ? " and is not heard with " + name : " and " + whole(zone.peak[index]) + " dB with " + name;
    }
    if (now.peak[index] !== null && homes.halfwidth && homes.halfwidth[index] !== null) {
      text += ", give or take " + whole(homes.halfwidth[index]) + " dB";
    }
    if (zone && homes.louder[state.zone].indexOf(index) >= 0) { text += "; " + name + " makes it LOUDER here by some measure"; }
    else if (zone && homes.sure[state.zone][index] !== null) { text += SURE[homes.sure[state.zone][index]]; }
    else if (zone) { text += "; how certain the change is here was not computed"; }
    return text + "." + (homes.flags[index] ? " Note: " + homes.flags[index] + "." : "");
  }

  // ---- layers ----------------------------------------------------------------
  var groups = {
    relief: L.layerGroup(), areas: L.featureGroup(), duty: L.featureGroup(),
    zones: L.featureGroup(), grade: L.featureGroup(), homes: L.featureGroup(),
    louder: L.featureGroup(), names: L.layerGroup()
  };
  groups.relief.addLayer(L.imageOverlay(data.backdrop, data.bounds, { alt: "", interactive: false }));

  data.areas.forEach(function (area) {
    groups.areas.addLayer(L.polygon(area.polygons, {
      fillColor: area.colour, fillOpacity: 0.45, color: area.colour, weight: 1, smoothFactor: 0
    }).bindTooltip(function () { return lines([data.areasLabel, area.label]); }, { sticky: true }));
  });

  var roads = data.stretches;
  function heaviestUse(index) {
    return roads.duty.reduce(function (most, truck) { return Math.max(most, truck[index]); }, 0);
  }
  function stretchTip(index) {
    var grade = roads.grade[index];
    var texts = [roads.road[index] || "road without a name",
      "at " + roads.from[index] + ": " + Math.abs(grade).toFixed(1) + " % " + (grade < 0 ? "down" : "up") +
      " ± " + roads.sigma[index].toFixed(1) + " %, limit " + roads.limit[index]];
    if (roads.covered[index]) { texts.push("in a tunnel"); }
    roads.trucks.forEach(function (truck, number) {
      texts.push("retarder on " + Math.round(100 * roads.duty[number][index]) + " % of the time: " + truck);
    });
    return lines(texts);
  }
  // narrower than a zone at every use, so that the zone's colour shows on both sides
  function dutyWidth(level) { return 5 + 2 * level; }
  roads.ends.forEach(function (ends, index) {
    var line = [[ends[1], ends[0]], [ends[3], ends[2]]];
    var use = heaviestUse(index), level = bandOf(data.dutyBands, use);
    if (use >= data.dutyBands[0].low) {
      groups.duty.addLayer(L.polyline(line, {
        color: data.dutyBands[level].colour, weight: dutyWidth(level), lineCap: "round", interactive: false
      }));
    }
    var grade = bandOf(data.gradeBands, Math.abs(roads.grade[index]));
    groups.grade.addLayer(L.polyline(line, {
      color: data.gradeBands[grade].colour, weight: 2 + 1.5 * grade, lineCap: roads.covered[index] ? "butt" : "round",
      dashArray: roads.covered[index] ? "3 4" : null
    }).bindTooltip(function () { return stretchTip(index); }, { sticky: true }));
  });

  data.zones.forEach(function (zone, number) {
    zone.layer = L.polyline(zone.line, { color: data.zoneColour, interactive: false, lineCap: "butt" });
    groups.zones.addLayer(zone.layer);
    zone.ends = [zone.line[0], zone.line[zone.line.length - 1]].map(function (end, side) {
      var flag = make("span", (number + 1) + (side ? " ends" : " starts"));
      return L.marker(end, {
        icon: L.divIcon({ html: flag, className: "zone-end", iconSize: null }), keyboard: false, interactive: false
      });
    });
  });
  function styleZones() {
    data.zones.forEach(function (zone, number) {
      var chosen = number === state.zone;
      zone.layer.setStyle({
        weight: chosen ? 28 : 24, opacity: chosen ? 0.9 : 0.4, dashArray: zone.refused ? "10 7" : null
      });
      zone.ends.forEach(function (end) {
        if (chosen) { groups.zones.addLayer(end); } else { groups.zones.removeLayer(end); }
      });
    });
    if (data.zones.length && map.hasLayer(groups.zones)) { data.zones[state.zone].layer.bringToFront(); }
  }

  var marks = homes.x.map(function (unused, index) {
    var mark = new Mark(place(index), markStyle(index));
    mark.bindTooltip(function () { return lines([homeName(index), valueText(index)]); });
    mark.on("click", function () { choose(index); });
    groups.homes.addLayer(mark);
    return mark;
  });
  // ---- homes that the chosen zone makes louder: never netted away ---------------
  function showLouder() {
    groups.louder.clearLayers();
    if (!data.zones.length) { return; }
    homes.louder[state.zone].forEach(function (index) {
      groups.louder.addLayer(new Mark(place(index), {
        radius: 10, fill: false, color: "#000000", weight: 3, shape: "triangle", interactive: false
      }));
    });
  }

  // ---- names of roads, as text nodes beside their lines --------------------------
  var nameMarks = data.roadNames.map(function (road) {
    var text = make("span", road.name);
    text.style.transform = "translate(-50%, -50%) rotate(" + Number(road.angle) + "deg) translateY(-1.1em)";
    return {
      length: road.length, width: 6.2 * road.name.length + 24,
      mark: L.marker(road.at, {
        icon: L.divIcon({ html: text, className: "road-name", iconSize: null }), keyboard: false, interactive: false
      })
    };
  });
  function showNames() {
    var scale = map.options.crs.scale(map.getZoom());
    nameMarks.forEach(function (one) {
      var fits = one.length * scale >= one.width;
      if (fits) { groups.names.addLayer(one.mark); } else { groups.names.removeLayer(one.mark); }
    });
  }

  // ---- scale and north -------------------------------------------------------------
  var STEPS = data.units === "us" ?
    [[30.48, "100 ft"], [60.96, "200 ft"], [152.4, "500 ft"], [304.8, "1,000 ft"], [804.672, "half a mile"],
      [1609.344, "1 mile"], [3218.688, "2 miles"], [8046.72, "5 miles"], [16093.44, "10 miles"]] :
    [[20, "20 m"], [50, "50 m"], [100, "100 m"], [200, "200 m"], [500, "500 m"], [1000, "1 km"],
      [2000, "2 km"], [5000, "5 km"], [10000, "10 km"]];
  var Measure = L.Control.extend({
    onAdd: function () {
      var box = make("div", undefined, "measure");
      var north = box.appendChild(make("div", undefined, "north"));
      north.appendChild(make("span", "N"));
      north.appendChild(make("span", "⬆"));
      this.words = box.appendChild(make("div"));
      this.bar = box.appendChild(make("div", undefined, "bar"));
      map.on("zoomend", this.draw, this);
      return box;
    },
    draw: function () {
      var scale = map.options.crs.scale(map.getZoom()), fit = STEPS[0];
      STEPS.forEach(function (step) { if (step[0] * scale <= 130) { fit = step; } });
      this.words.textContent = fit[1];
      this.bar.style.width = fit[0] * scale + "px";
    }
  });
  function valueText(index) {
    var value = shown(index), item = indicator();
    if (state.view === "quieter") {
      if (value === Infinity) { return "braking trucks no longer heard in the model"; }
      if (item.counts) {
        return Math.abs(value) < 0.05 ? "as many passes " + item.unit + " as now" :
          few(Math.abs(value)) + (value < 0 ? " more" : " fewer") + " passes " + item.unit;
      }
      return louder(value) ? "louder by " + (-value).toFixed(1) + " dB" : "quieter by " + Math.max(value, 0).toFixed(1) + " dB";
    }
    if (value === null) { return "no braking truck is heard in the model"; }
    return item.label + ": " + (item.counts ? few(value) + " " + item.unit : whole(value) + " dB");
  }
  var ring = L.circleMarker([0, 0], { radius: 15, color: "#000", weight: 3, fill: false, interactive: false });

  state.zone = Math.max(0, data.zones.findIndex(function (zone) { return zone.verdict === "worth signing"; }));

  // ---- panel -------------------------------------------------------------------
  function option(value, text) { var node = make("option", text); node.value = value; return node; }
  data.zones.forEach(function (zone, index) {
    byId("zone").appendChild(option(index, zone.title + " – " + zone.verdict));
  });
  data.indicators.forEach(function (item) { byId("indicator").appendChild(option(item.key, item.label)); });
  byId("indicator").value = state.indicator;
  if (data.zones.length) { byId("zone").value = String(state.zone); }
  if (!data.zones.length) {
    byId("zone").appendChild(option(0, "no zone in this study"));
    byId("zone").disabled = true;
    document.querySelectorAll("input[name=view]").forEach(function (input) { input.disabled = input.value !== "before"; });
    document.querySelector("input[name=layer][value=zones]").disabled = true;
  }
  byId("title").textContent = data.title;
  if (data.invented) { byId("subtitle").textContent += ". Invented place and data"; }
  byId("answer").textContent = data.answer;
  data.cautions.forEach(function (text) { byId("cautions").appendChild(make("li", text)); });
  data.attribution.forEach(function (text) { byId("attribution").appendChild(make("li", text)); });
  byId("attribution").appendChild(make("li", "Drawn in " + data.crs + ", grid north up, distances true. Map view: Leaflet, notice in this file."));

  function brakeTable(zone) {
    var node = make("table"), head = make("tr");
    node.appendChild(make("caption", "Hottest brakes by truck weight (screening estimate)"));
    data.brakeHeaders.forEach(function (text) { var cell = make("th", text); cell.scope = "col"; head.appendChild(cell); });
    node.appendChild(make("thead")).appendChild(head);
    zone.brakes.forEach(function (brake) {
      var body = node.appendChild(make("tbody"));
      var name = body.appendChild(make("tr")).appendChild(make("th", brake.truck));
      name.scope = "rowgroup";
      name.colSpan = data.brakeHeaders.length;
      var line = body.appendChild(make("tr"));
      brake.cells.forEach(function (text) { line.appendChild(make("td", text)); });
    });
    return node;
  }
  data.zones.filter(function (zone) { return zone.refused; }).forEach(function (zone, index) {
    if (!index) { byId("refused").appendChild(make("h2", "✕ Refused for brakes")); }
    byId("refused").appendChild(make("p", zone.title + ". " + zone.sentence));
  });
  function showZone() {
    var panel = byId("zone-panel");
    clear(panel);
    if (!data.zones.length) {
      panel.appendChild(make("h2", "No zone"));
      panel.appendChild(make("p", "This study asks about no zone; the map shows the noise as it is."));
      return;
    }
    var zone = data.zones[state.zone];
    if (zone.own) { return; }
    panel.appendChild(make("h2", zone.title));
    panel.appendChild(make("p", (zone.refused ? "✕ " : zone.verdict === "worth signing" ? "✓ " : "● ") + zone.verdict,
      "verdict" + (zone.refused ? " refused" : "")));
    panel.appendChild(make("p", zone.sentence));
    if (zone.reasons.length) {
      var list = panel.appendChild(make("ul"));
      zone.reasons.forEach(function (text) { list.appendChild(make("li", text)); });
    }
    if (zone.brakes.length) {
      panel.appendChild(brakeTable(zone));
    }
    var facts = panel.appendChild(make("dl"));
    var louder = homes.louder[state.zone];
    facts.appendChild(make("dt", "Homes that become louder by some measure"));
    facts.appendChild(make("dd", louder.length ?
      louder.slice(0, 12).map(homeName).join("; ") + (louder.length > 12 ? "; " + (louder.length - 12) + " more, in the tables" : "") :
      "none, by any measure that was computed"));
    zone.facts.forEach(function (pair) { facts.appendChild(make("dt", pair[0])); facts.appendChild(make("dd", pair[1])); });
  }

  // ---- legend --------------------------------------------------------------------
  function swatch(className, style) {
    var node = make("span", undefined, "swatch " + className);
    Object.keys(style).forEach(function (key) { node.style[key] = style[key]; });
    node.setAttribute("aria-hidden", "true");
    return node;
  }
  function legendList(title, entries) {
    var box = make("div");
    box.appendChild(make("h2", title));
    var list = box.appendChild(make("ul"));
    entries.forEach(function (entry) {
      var row = list.appendChild(make("li"));
      var cell = row.appendChild(make("span", undefined, "cell"));
      cell.appendChild(entry[0]);
      row.appendChild(make("span", entry[1]));
    });
    return box;
  }
  function dot(band, square) {
    var size = 2 * band.radius + "px";
    return swatch(square ? "" : "dot", { width: size, height: size, background: band.colour });
  }
  function bar(colour, height, dashed) {
    return swatch("bar", dashed ?
      { height: "0", borderTop: height + "px dashed " + colour } : { height: height + "px", background: colour });
  }
  function showLegend() {
    var box = byId("legend"), quieter = state.view === "quieter";
    clear(box);
    var when = state.view === "before" ? ", now" : ", zone " + (state.zone + 1);
    var entries = bands().map(function (band) { return [dot(band), band.label]; });
    if (quieter) { entries.push([make("span", "△", "louder"), "louder than before"]); }
    if (homes.kind.some(function (kind) { return kind !== "home"; })) {
      entries.push([dot({ radius: 5, colour: "#ffffff" }, true), "square: school, clinic or other place"]);
    }
    if (homes.louder.some(function (list) { return list.length; })) {
      entries.push([make("span", "△", "louder"), "a home that the chosen zone makes louder"]);
    }
    if (map.hasLayer(groups.homes)) { box.appendChild(legendList((quieter ? indicator().difference : indicator().label) + when, entries)); }
    if (map.hasLayer(groups.homes) && indicator().note) { box.appendChild(make("p", "Hours: " + indicator().note)); }
    if (map.hasLayer(groups.grade)) {
      box.appendChild(legendList("Road by grade, up or down", data.gradeBands.map(function (band, index) {
        return [bar(band.colour, 2 + 1.5 * index), band.label];
      })));
    }
    if (map.hasLayer(groups.duty)) {
      box.appendChild(legendList("Retarder on, the truck that uses it most", data.dutyBands.map(function (band, index) {
        return [bar(band.colour, dutyWidth(index)), band.label];
      })));
    }
    if (map.hasLayer(groups.zones) && data.zones.length) {
      box.appendChild(legendList("Zones", [
        [bar(data.zoneColour, 14), "the chosen zone"], [bar(data.zoneFaint, 14), "another zone"],
        [bar(data.zoneColour, 8, true), "dashed: refused for brakes"]]));
    }
    if (map.hasLayer(groups.areas)) {
      box.appendChild(legendList(data.areasLabel, data.areas.map(function (area) {
        return [swatch("area", { background: area.colour }), area.label];
      })));
    }
  }

  // ---- what the controls do ---------------------------------------------------------
  function order() {
    ["zones", "duty", "grade", "homes", "louder"].forEach(function (name) {
      if (map.hasLayer(groups[name])) { groups[name].bringToFront(); }
    });
    if (map.hasLayer(ring)) { ring.bringToFront(); }
  }
  function refresh() {
    var zone = data.zones[state.zone];
    if (zone && zone.own && zone.computes.indexOf(state.indicator) < 0) { // not in the what-if's table
      byId("indicator").value = state.indicator = "passes";
    }
    marks.forEach(function (mark, index) {
      var style = markStyle(index);
      mark.setRadius(style.radius);
      mark.setStyle(style);
    });
    styleZones();
    showLouder();
    order();
    showZone();
    showLegend();
    if (state.home >= 0) { byId("home-says").textContent = homeSentence(state.home); }
  }
  function choose(index) {
    state.home = index;
    byId("home-says").textContent = homeSentence(index);
    ring.setLatLng(place(index)).addTo(map).bringToFront();
    if (!map.getBounds().contains(place(index))) { map.panTo(place(index)); }
  }
  function found(text) {
    var wanted = text.trim().toLowerCase(), hits = [];
    if (!wanted) { return hits; }
    homes.id.forEach(function (id, index) {
      if (id.toLowerCase() === wanted || String(index + 1) === wanted) { hits.unshift(index); }
      else if (homes.label[index].toLowerCase().indexOf(wanted) >= 0) { hits.push(index); }
    });
    return hits;
  }
  byId("search").addEventListener("submit", function (event) {
    event.preventDefault();
    var hits = found(byId("find").value), list = byId("matches");
    clear(list);
    if (!hits.length) { byId("home-says").textContent = "No home found. Try part of the address, or the home's number."; return; }
    choose(hits[0]);
    if (hits.length === 1) { return; }
    hits.slice(0, 8).forEach(function (index) {
      var button = make("button", homeName(index));
      button.type = "button";
      button.addEventListener("click", function () { choose(index); });
      list.appendChild(make("li")).appendChild(button);
    });
    if (hits.length > 8) { list.appendChild(make("li", (hits.length - 8) + " more; write more of the address")); }
  });
  byId("views").addEventListener("change", function (event) { state.view = event.target.value; refresh(); });
  byId("zone").addEventListener("change", function (event) {
    state.zone = Number(event.target.value);
    refresh();
  });
  byId("indicator").addEventListener("change", function (event) { state.indicator = event.target.value; refresh(); });
  byId("layers").addEventListener("change", function (event) {
    var group = groups[event.target.value];
    if (event.target.checked) { group.addTo(map); } else { group.remove(); }
    if (event.target.value === "areas" && event.target.checked) { group.bringToBack(); }
    refresh();
  });

  byId("draw").open = window.innerWidth > 720;

  // ---- a zone tried in the page: one more zone of the map -----------------------------
  var tried = -1;
  function beginTrial() {
    tried = data.zones.length;
    data.zones.push({
      title: "Zone " + (tried + 1) + ", tried here", own: true, line: [], ends: [], refused: false,
      layer: L.polyline([], { interactive: false })
    });
    if (!tried) { clear(byId("zone")); }
    byId("zone").appendChild(option(tried, data.zones[tried].title));
    byId("zone").disabled = false;
    document.querySelectorAll("input[name=view]").forEach(function (input) { input.disabled = false; });
    state.view = "quieter";
    document.querySelector("input[name=view][value=quieter]").checked = true;
  }
  function showTrial(levels) {
    if (tried < 0) { beginTrial(); }
    homes.after[tried] = Object.assign({}, homes.before, levels);
    data.zones[tried].computes = Object.keys(levels);
    homes.nightQuieter[tried] = levels.night.map(function (level, index) {
      var before = homes.before.night[index];
      return level === null || before === null ? null : before - level;
    });
    homes.sure[tried] = levels.night.map(function () { return null; });
    homes.louder[tried] = levels.night.map(function (unused, index) { return index; }).filter(function (index) {
      return Object.keys(levels).some(function (key) { return fall(index, key, tried) < -0.05; });
    });
    state.zone = tried;
    byId("zone").value = String(tried);
    refresh();
  }
  if (data.noWhatIf) {
    byId("what-if").hidden = false;
    byId("try").hidden = true;
    byId("what-if-panel").textContent = data.noWhatIf;
  }
  if (data.whatIf) {
    byId("what-if").hidden = false;
    byId("try").addEventListener("click", function () {
      byId("try").hidden = true;
      WhatIf.mount(byId("what-if-panel"), data.whatIf, Object.assign({
        map: map, before: homes.before, units: data.whatIf.units, recolour: showTrial
      }, window.noisemapHooks || {})).then(function (handle) {
        window.noisemapTrial = handle;
        map.fitBounds(handle.bounds().pad(0.4), { animate: false });
      }, function (error) {
        byId("try").hidden = false;
        console.error(error);
      });
    });
  }

  // ---- start ---------------------------------------------------------------------------
  map.attributionControl.remove();
  var Credit = L.Control.extend({ onAdd: function () { return make("div", data.attribution.join(" · "), "credit"); } });
  if (data.attribution.length) { new Credit({ position: "bottomright" }).addTo(map); }
  var measure = new Measure({ position: "topright" }).addTo(map);
  ["relief", "areas", "duty", "zones", "grade", "homes", "louder", "names"].forEach(function (name) {
    if (document.querySelector("input[name=layer][value=" + name + "]").checked) { groups[name].addTo(map); }
  });
  var seen = groups.homes.getBounds();
  if (!seen.isValid()) { seen = L.latLngBounds(data.bounds); }
  data.zones.forEach(function (zone) { seen.extend(zone.layer.getBounds()); });
  refresh();
  map.invalidateSize(false); // the legend may have changed the room that the map has
  map.fitBounds(seen, { padding: [24, 24], animate: false });
  map.on("zoomend", showNames);
  showNames();
  measure.draw();
  map.setMaxBounds(L.latLngBounds(data.bounds).pad(0.5));
})();
