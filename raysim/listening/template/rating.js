// A sitting with many clips: on each screen, rate them beside the reference.
(function () {
  var data = /*DATA*/, K = raysimKit, put = K.put, byId = K.byId;
  var parts = ["before", "desk", "promise", "end"];
  var store = "raysim-rating-" + data.kit, n_screen = data.screens.length;
  var state = K.kept(store), context = null, buffers = null, player = null, orders = null;
  var wasHeard = [], ratings = [], shownAt = 0, given = K.givenSeed();
  if (!state || state.kit !== data.kit) { state = { kit: data.kit, begun: 0, finished: 0 }; }

  function isUnderWay() { return Boolean(state.seed) && state.ratings.length < n_screen; }
  if (isUnderWay() && given && given !== state.seed) { delete state.seed; }

  function ordersOf(seed) {
    var d = K.draws(seed);
    return data.screens.map(function (screen) { return d.shuffled(screen.clips.length); });
  }
  function load() {
    if (!context) { context = K.openContext(data.sample_rate_hz); }
    K.whenReady(context, function () {
      return buffers ? Promise.resolve() : K.decode(context, data.clips).then(function (b) {
        buffers = b;
      });
    }, function () {
      if (!state.seed) {
        state.seed = given || K.freshSeed();
        state.seed_from = given ? "address" : "chance";
        state.ratings = [];
        state.seconds = [];
        state.begun += 1;
        state.date = new Date().toISOString();
      }
      state.listener = byId("listener").value.trim();
      orders = ordersOf(state.seed);
      K.keep(store, state);
      screen();
    });
  }
  function marked(which) {
    byId("play-reference").setAttribute("aria-pressed", String(which === "reference"));
    orders[state.ratings.length].forEach(function (_, i) {
      byId("play-" + i).setAttribute("aria-pressed", String(which === i));
    });
  }
  // Clip 0 of a screen is the reference, open and hidden.
  function press(which) {
    var order = orders[state.ratings.length];
    if (which !== "reference" && !(which < order.length)) { return; }
    player.show(which === "reference" ? 0 : order[which]);
    if (which !== "reference") { wasHeard[which] = true; }
    marked(which);
    ready();
  }
  function silence() {
    if (player) { player.stop(); }
    if (!byId("desk").hidden) { marked(null); }
  }
  function ready() {
    var n = orders[state.ratings.length].length, heard = 0, rated = 0;
    for (var i = 0; i < n; i++) { heard += wasHeard[i] ? 1 : 0; rated += ratings[i] >= 0 ? 1 : 0; }
    byId("confirm").disabled = heard < n || rated < n;
    put("why-not", heard < n ? "Not listened to yet: " + (n - heard) + "." :
      rated < n ? "Not rated yet: " + (n - rated) + "." : "");
  }
  function line(i) {
    var row = document.createElement("div"), button = document.createElement("button");
    var slider = document.createElement("input"), out = document.createElement("output");
    row.className = "line";
    button.type = "button";
    button.id = "play-" + i;
    button.setAttribute("aria-pressed", "false");
    button.append("sound " + (i + 1) + " ");
    if (i < 9) {
      var key = document.createElement("kbd");
      key.textContent = String(i + 1);
      button.append(key);
    }
    button.addEventListener("click", function (event) {
      press(i);
      if (event.detail) { button.blur(); }  // by hand: the space bar then stops the sound
    });
    slider.type = "range";
    slider.id = "rate-" + i;
    slider.min = "0";
    slider.max = "100";
    slider.value = "50";
    slider.className = "untouched";
    slider.setAttribute("aria-label", "sound " + (i + 1) + ", 0 bad to 100 excellent");
    out.htmlFor = slider.id;
    out.textContent = "–";
    slider.addEventListener("input", function () {
      ratings[i] = Number(slider.value);
      slider.className = "";
      out.textContent = slider.value;
      ready();
    });
    row.append(button, slider, out);
    return row;
  }
  function screen() {
    var n = state.ratings.length, told = data.screens[n];
    if (player) { player.stop(); }
    player = K.player(context, told.clips.map(function (i) { return buffers[i]; }));
    setVolume();
    wasHeard = [];
    ratings = [];
    shownAt = Date.now();
    put("screen-name", n_screen > 1 ? "Screen " + (n + 1) + " of " + n_screen : "Rate the sounds");
    put("screen-title", told.title);
    put("reference-name", told.reference);
    byId("lines").replaceChildren.apply(byId("lines"), orders[n].map(function (_, i) { return line(i); }));
    put("seal", K.sealOf(state.seed));
    byId("given").hidden = state.seed_from !== "address";
    K.open(["desk", "promise"], parts);
    ready();
    marked(null);
  }
  function confirmRatings() {
    var order = orders[state.ratings.length], byClip = [];
    order.forEach(function (clip, i) { byClip[clip] = ratings[i]; });
    silence();
    state.ratings.push(byClip);
    state.seconds.push(Math.round((Date.now() - shownAt) / 100) / 10);
    if (state.ratings.length === n_screen) { state.finished += 1; }
    K.keep(store, state);
    if (state.ratings.length === n_screen) { end(); } else { screen(); }
  }

  function result() {
    var names = K.sealed(data.names);
    return {
      kind: "raysim rating sitting", format: 1, kit: data.kit, seed: state.seed,
      seed_from: state.seed_from, seal: K.sealOf(state.seed), listener: state.listener || "",
      date: state.date, sittings_begun: state.begun, sittings_finished: state.finished,
      screens: data.screens.map(function (told, s) {
        return {
          title: told.title, reference: told.reference, names: names[s], order: orders[s],
          ratings: state.ratings[s], time_s: state.seconds[s]
        };
      })
    };
  }
  function median(sorted) {
    var n = sorted.length;
    return n % 2 ? sorted[(n - 1) / 2] : (sorted[n / 2 - 1] + sorted[n / 2]) / 2;
  }
  function strip(values, middle) {
    var box = document.createElement("span");
    box.className = "strip";
    function mark(tag, value) {
      var one = document.createElement(tag);
      one.style.left = value + "%";
      box.append(one);
    }
    values.forEach(function (value) { mark("i", value); });
    mark("b", middle);
    return box;
  }
  function end() {
    var r = result(), by = {}, missed = 0;
    r.screens.forEach(function (s) {
      s.names.forEach(function (name, i) { (by[name] = by[name] || []).push(s.ratings[i]); });
      if (s.ratings[0] < data.found) { missed += 1; }
    });
    var lines = Object.keys(by).map(function (name) {
      var sorted = by[name].slice().sort(function (a, b) { return a - b; });
      var rank = data.ranks[sorted.length];
      return {
        name: name, values: sorted, median: median(sorted),
        interval: rank === null ? "–" : sorted[rank - 1] + " to " + sorted[sorted.length - rank]
      };
    }).sort(function (a, b) { return b.median - a.median; });
    put("sentence", n_screen === 1
      ? "One listener, one screen: an illustration, not statistics."
      : "One listener, " + n_screen + " screens: an illustration of one pair of ears.");
    put("found", "You gave the hidden reference less than " + data.found + " on " + missed + " of " +
      n_screen + (n_screen === 1 ? " screen" : " screens") + (missed > data.missed_share * n_screen
        ? ": by the rule below this sitting is left out of a tally." : ": this sitting counts."));
    put("sittings", "Sittings begun in this browser with these sounds: " + r.sittings_begun +
      "; finished: " + r.sittings_finished + ".");
    K.table("ratings", lines.map(function (one) {
      return [one.name, strip(one.values, one.median), one.median, one.interval, one.values.length];
    }));
    put("end-seed", "secret " + r.seed);
    put("end-seal", "hash   " + r.seal);
    byId("all").value = JSON.stringify(r, null, 1);
    K.open(["end"], parts);
  }
  function rows(r) {
    var all = [["screen", "sound", "place", "rating"]];
    r.screens.forEach(function (s, n) {
      s.names.forEach(function (name, i) {
        all.push([n + 1, name, s.order.indexOf(i) + 1, s.ratings[i]]);
      });
    });
    return all;
  }

  var setVolume = K.desk(function () { return player; }, silence);
  setVolume();
  byId("load").addEventListener("click", load);
  byId("play-reference").addEventListener("click", function (event) {
    press("reference");
    if (event.detail) { this.blur(); }
  });
  byId("rate").addEventListener("submit", function (event) {
    event.preventDefault();
    if (!byId("confirm").disabled) { confirmRatings(); }
  });
  byId("get-csv").addEventListener("click", function () {
    K.download("ratings.csv", "text/csv", K.csv(rows(result())));
  });
  byId("get-json").addEventListener("click", function () {
    K.download("ratings.json", "application/json", JSON.stringify(result(), null, 1));
  });
  byId("print").addEventListener("click", function () { window.print(); });
  byId("again").addEventListener("click", function () {
    given = null;
    delete state.seed;
    K.keep(store, state);
    before();
  });
  document.addEventListener("keydown", function (event) {
    if (event.altKey || event.ctrlKey || event.metaKey || event.target.type === "text" ||
        byId("desk").hidden) { return; }
    if (event.key === "0") { press("reference"); }
    else if ("123456789".indexOf(event.key) >= 0) { press(Number(event.key) - 1); }
    else if (event.key === " " && event.target.tagName !== "BUTTON") {
      silence();
      event.preventDefault();
    } else if (event.key === "Enter" && event.target.type === "range") {
      event.preventDefault();  // a slip must not send the ratings off
    }
  });

  function before() {
    orders = null;
    byId("left-over").hidden = !isUnderWay();
    put("left-over", "A sitting is under way in this browser: " + (state.ratings || []).length +
      " of " + n_screen + " screens are kept, and it goes on.");
    byId("listener").value = isUnderWay() && state.listener || "";
    K.open(["before"], parts);
  }
  if (state.seed && !isUnderWay()) {
    orders = ordersOf(state.seed);
    end();
  } else { before(); }
})();
