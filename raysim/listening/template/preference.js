// A sitting of comparisons: two clips at a time, a preference, an attribute, some words.
(function () {
  var data = /*DATA*/, K = raysimKit, put = K.put, byId = K.byId;
  var parts = ["before", "desk", "promise", "end"], store = "raysim-preference-" + data.kit;
  var state = K.kept(store), context = null, buffers = null, player = null, order = null;
  var wasHeard = [], given = K.givenSeed();
  if (!state || state.kit !== data.kit) { state = { kit: data.kit, begun: 0, finished: 0 }; }

  function orderOf(seed) {
    var every = [], n = data.n_layout;
    data.sounds.forEach(function (_, sound) {
      for (var left = 0; left < n; left++) {
        for (var right = 0; right < n; right++) {
          if (left !== right) { every.push([sound, left, right]); }
        }
      }
    });
    return K.draws(seed).shuffled(every.length).map(function (i) { return every[i]; });
  }
  var n_trial = orderOf("0").length;
  function isUnderWay() { return Boolean(state.seed) && state.answers.length < n_trial; }
  if (isUnderWay() && given && given !== state.seed) { delete state.seed; }

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
        state.answers = [];
        state.begun += 1;
        state.date = new Date().toISOString();
      }
      state.listener = byId("listener").value.trim();
      order = orderOf(state.seed);
      K.keep(store, state);
      trial();
    });
  }
  function marked(which) {
    [0, 1].forEach(function (i) {
      byId("play-" + i).setAttribute("aria-pressed", String(i === which));
    });
  }
  function press(which) {
    player.show(which);
    wasHeard[which] = true;
    marked(which);
    ready();
  }
  function silence() {
    if (player) { player.stop(); }
    marked(-1);
  }
  function picked(name) {
    var one = document.querySelector("input[name=" + name + "]:checked");
    return one ? Number(one.value) : null;
  }
  function ready() {
    var both = wasHeard[0] && wasHeard[1];
    put("why-not", both ? "" : "Listen to both before you answer.");
    byId("confirm").disabled = !both || picked("rather") === null || picked("clearer") === null;
  }
  function trial() {
    var n = state.answers.length, told = order[n];
    if (player) { player.stop(); }
    player = K.player(context, [1, 2].map(function (side) {
      return buffers[told[0] * data.n_layout + told[side]];
    }));
    setVolume();
    wasHeard = [];
    put("trial-name", "Comparison " + (n + 1) + " of " + n_trial);
    put("trial-sound", "What is played: " + data.sounds[told[0]] + ".");
    byId("answer").reset();
    put("seal", K.sealOf(state.seed));
    marked(-1);
    ready();
    K.open(["desk", "promise"], parts);
  }
  function answer() {
    state.answers.push({
      rather: picked("rather"), clearer: picked("clearer"), words: byId("words").value.trim()
    });
    silence();
    if (state.answers.length === n_trial) { state.finished += 1; }
    K.keep(store, state);
    if (state.answers.length === n_trial) { end(); } else { trial(); }
  }
  function result() {
    return {
      kind: "raysim preference sitting", format: 1, kit: data.kit, seed: state.seed,
      seed_from: state.seed_from, seal: K.sealOf(state.seed), listener: state.listener || "",
      date: state.date, sittings_begun: state.begun, sittings_finished: state.finished,
      layouts: K.sealed(data.names), sounds: data.sounds, order: order, answers: state.answers
    };
  }
  function end() {
    var r = result(), rather = [], clearer = [], n = [], by = {}, pairs = 0, same = 0;
    r.layouts.forEach(function (_, i) { rather[i] = clearer[i] = n[i] = 0; });
    r.order.forEach(function (told, t) {
      var a = r.answers[t], won = told[1 + a.rather], key = [told[0]].concat(told.slice(1).sort()).join();
      rather[won] += 1;
      if (a.clearer >= 0) { clearer[told[1 + a.clearer]] += 1; }
      n[told[1]] += 1;
      n[told[2]] += 1;
      if (by[key] === undefined) { by[key] = won; } else { pairs += 1; same += by[key] === won ? 1 : 0; }
    });
    put("sentence", "One listener’s preference: an illustration, not statistics.");
    put("same", "The same pair, the other way round: you chose the same room " + same + " of " + pairs +
      " times. By guessing it would be about half of them.");
    K.table("wins", r.layouts.map(function (name, i) { return i; }).sort(function (a, b) {
      return rather[b] - rather[a];
    }).map(function (i) { return [r.layouts[i], rather[i], clearer[i], n[i]]; }));
    K.table("all-trials", rows(r).slice(1).map(function (row) {
      return [row[0], row[1], row[2], row[3], row[5]];
    }));
    put("end-seed", "secret " + r.seed);
    put("end-seal", "hash   " + r.seal);
    byId("all").value = JSON.stringify(r, null, 1);
    K.open(["end"], parts);
  }
  function rows(r) {
    return [["comparison", "sound", "rather", "than", "clearer", "words"]].concat(
      r.order.map(function (told, t) {
        var a = r.answers[t];
        return [t + 1, r.sounds[told[0]], r.layouts[told[1 + a.rather]],
          r.layouts[told[2 - a.rather]], a.clearer < 0 ? "" : r.layouts[told[1 + a.clearer]], a.words];
      }));
  }

  var setVolume = K.desk(function () { return player; }, silence);
  setVolume();
  byId("load").addEventListener("click", load);
  [0, 1].forEach(function (i) {
    byId("play-" + i).addEventListener("click", function (event) {
      press(i);
      if (event.detail) { this.blur(); }  // by hand: the space bar then stops the sound
    });
  });
  byId("answer").addEventListener("change", ready);
  byId("answer").addEventListener("submit", function (event) {
    event.preventDefault();
    if (!byId("confirm").disabled) { answer(); }
  });
  byId("get-csv").addEventListener("click", function () {
    K.download("preferences.csv", "text/csv", K.csv(rows(result())));
  });
  byId("get-json").addEventListener("click", function () {
    K.download("preferences.json", "application/json", JSON.stringify(result(), null, 1));
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
    if (event.key === "1" || event.key === "2") { press(Number(event.key) - 1); }
    else if (event.key === " " && event.target.tagName !== "BUTTON" && event.target.type !== "radio") {
      silence();
      event.preventDefault();
    }
  });
  function before() {
    order = null;
    byId("left-over").hidden = !isUnderWay();
    put("left-over", "A sitting is under way in this browser: " + (state.answers || []).length +
      " of " + n_trial + " answers are kept, and it goes on.");
    byId("listener").value = isUnderWay() && state.listener || "";
    K.open(["before"], parts);
  }
  if (state.seed && !isUnderWay()) {
    order = orderOf(state.seed);
    end();
  } else { before(); }
})();
