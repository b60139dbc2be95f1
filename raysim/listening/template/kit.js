// What the listening pages share: the sealed order, the player, what is kept, downloads.
"use strict";
var raysimKit = (function () {
  // SHA-256 of ASCII text by FIPS 180-4; browsers offer their own only to some addresses.
  var ROUND = [], START = [];
  (function () {
    function fraction(x) { return ((x - Math.floor(x)) * 4294967296) | 0; }
    for (var n = 2; ROUND.length < 64; n++) {
      var prime = true;
      for (var d = 2; d * d <= n; d++) { if (n % d === 0) { prime = false; } }
      if (!prime) { continue; }
      if (START.length < 8) { START.push(fraction(Math.sqrt(n))); }
      ROUND.push(fraction(Math.cbrt(n)));
    }
  })();

  function hash(text) {
    var bytes = [], h = START.slice(), w = [], i, p;
    for (i = 0; i < text.length; i++) { bytes.push(text.charCodeAt(i)); }
    var bits = 8 * bytes.length;
    bytes.push(128);
    while (bytes.length % 64 !== 56) { bytes.push(0); }
    bytes.push(0, 0, 0, 0, bits >>> 24 & 255, bits >>> 16 & 255, bits >>> 8 & 255, bits & 255);
    function turn(x, n) { return (x >>> n) | (x << (32 - n)); }
    for (p = 0; p < bytes.length; p += 64) {
      for (i = 0; i < 64; i++) {
        if (i < 16) {
          var q = p + 4 * i;
          w[i] = bytes[q] << 24 | bytes[q + 1] << 16 | bytes[q + 2] << 8 | bytes[q + 3];
        } else {
          var x = w[i - 15], y = w[i - 2];
          w[i] = (w[i - 16] + w[i - 7] + (turn(x, 7) ^ turn(x, 18) ^ (x >>> 3)) +
            (turn(y, 17) ^ turn(y, 19) ^ (y >>> 10))) | 0;
        }
      }
      var v = h.slice();
      for (i = 0; i < 64; i++) {
        var e = v[4], a = v[0];
        var t1 = (v[7] + (turn(e, 6) ^ turn(e, 11) ^ turn(e, 25)) + ((e & v[5]) ^ (~e & v[6])) +
          ROUND[i] + w[i]) | 0;
        var t2 = ((turn(a, 2) ^ turn(a, 13) ^ turn(a, 22)) +
          ((a & v[1]) ^ (a & v[2]) ^ (v[1] & v[2]))) | 0;
        v = [(t1 + t2) | 0, a, v[1], v[2], (v[3] + t1) | 0, e, v[5], v[6]];
      }
      for (i = 0; i < 8; i++) { h[i] = (h[i] + v[i]) | 0; }
    }
    var out = [];
    h.forEach(function (word) { for (var s = 24; s >= 0; s -= 8) { out.push(word >>> s & 255); } });
    return out;
  }

  function hex(bytes) {
    return bytes.map(function (b) { return (b < 16 ? "0" : "") + b.toString(16); }).join("");
  }

  // Even draws from a seed: bytes that would favour some results are skipped.
  function draws(seed) {
    var waiting = [], block = 0;
    function below(n) {
      var fair = 256 - 256 % n;
      for (;;) {
        if (!waiting.length) { waiting = hash(seed + ":" + block++); }
        var byte = waiting.shift();
        if (byte < fair) { return byte % n; }
      }
    }
    function shuffled(n) {
      var order = [], i, j, kept;
      for (i = 0; i < n; i++) { order.push(i); }
      for (i = n - 1; i > 0; i--) {
        j = below(i + 1); kept = order[i]; order[i] = order[j]; order[j] = kept;
      }
      return order;
    }
    return { below: below, shuffled: shuffled };
  }

  function freshSeed() {
    var bytes = new Uint8Array(16);
    crypto.getRandomValues(bytes);
    return hex(Array.from(bytes));
  }

  function givenSeed() {
    var found = /(?:^#|&)seed=([0-9a-f]{32})(?:&|$)/.exec(location.hash);
    return found ? found[1] : null;
  }

  function bytesOf(text) {
    var raw = atob(text), bytes = new Uint8Array(raw.length);
    for (var i = 0; i < raw.length; i++) { bytes[i] = raw.charCodeAt(i); }
    return bytes;
  }

  function decode(context, clips) {
    return Promise.all(clips.map(function (clip) {
      return context.decodeAudioData(bytesOf(clip).buffer);
    }));
  }

  // All clips run from one instant and repeat together; a gate chooses which is heard.
  // Each change closes the gate and opens it again in the same way, also where the sound
  // stays the same: otherwise the seam itself would tell which clips are alike.
  var FADE_S = 0.005;
  function player(context, buffers) {
    var volume = context.createGain();
    var sources = [], gains = [], gate = null, heard = -1, busy = 0, begun = 0;
    volume.connect(context.destination);
    volume.gain.value = 0;
    function start(which, at) {
      begun = at || context.currentTime + 0.02;
      gate = context.createGain();
      gate.connect(volume);
      gate.gain.value = 0;
      gate.gain.setValueAtTime(0, begun);
      gate.gain.linearRampToValueAtTime(1, begun + FADE_S);
      busy = begun + FADE_S;
      sources = buffers.map(function (buffer, i) {
        var source = context.createBufferSource();
        gains[i] = context.createGain();
        gains[i].gain.value = i === which ? 1 : 0;
        source.buffer = buffer;
        source.loop = true;
        source.connect(gains[i]);
        gains[i].connect(gate);
        source.start(begun);
        return source;
      });
      heard = which;
    }
    function show(which, at) {
      if (heard < 0) { start(which, at); return; }
      var t = Math.max(at || context.currentTime + 0.005, busy);
      gate.gain.setValueAtTime(1, t);
      gate.gain.linearRampToValueAtTime(0, t + FADE_S);
      gate.gain.linearRampToValueAtTime(1, t + 2 * FADE_S);
      gains[heard].gain.setValueAtTime(0, t + FADE_S);
      gains[which].gain.setValueAtTime(1, t + FADE_S);
      busy = t + 2 * FADE_S;
      heard = which;
    }
    function stop() {
      if (heard < 0) { return; }
      var t = Math.max(context.currentTime + 0.005, busy);
      gate.gain.setValueAtTime(1, t);
      gate.gain.linearRampToValueAtTime(0, t + FADE_S);
      sources.forEach(function (source) { source.stop(t + FADE_S); });
      heard = -1;
    }
    return {
      show: show,
      stop: stop,
      setVolume: function (db) {
        volume.gain.setTargetAtTime(Math.pow(10, db / 20), context.currentTime, 0.02);
      },
      exactVolume: function (gain) { volume.gain.value = gain; },
      isPlaying: function () { return heard >= 0; },
      playedShare: function () {
        if (heard < 0) { return 0; }
        var s = (context.currentTime - begun) / buffers[0].duration;
        return s < 0 ? 0 : s - Math.floor(s);
      }
    };
  }

  function openContext(rate) {
    var Context = window.AudioContext || window.webkitAudioContext;
    try { return new Context({ sampleRate: rate }); } catch (e) { return new Context(); }
  }

  // Wakes the sound and waits for `ready`, a promise; then `go`, or a word why not.
  function whenReady(context, ready, go) {
    byId("load").disabled = true;
    put("load", "Opening …");
    context.resume();
    ready().then(function () {
      byId("load").disabled = false;
      put("load", "Open the sounds");
      go();
    }, function (e) {
      byId("fault").hidden = false;
      put("fault", "This browser cannot play the sounds (" + e.message + "). Open the page in another one.");
      byId("load").disabled = false;
      put("load", "Try again");
    });
  }
  // Private windows and some browsers keep nothing: the page then works without.
  function kept(key) {
    try { return JSON.parse(localStorage.getItem(key)); } catch (e) { return null; }
  }
  function keep(key, state) {
    try { localStorage.setItem(key, JSON.stringify(state)); return true; } catch (e) { return false; }
  }

  function download(name, type, text) {
    var a = document.createElement("a");
    a.href = URL.createObjectURL(new Blob([text], { type: type }));
    a.download = name;
    document.body.appendChild(a);
    a.click();
    setTimeout(function () { URL.revokeObjectURL(a.href); a.remove(); }, 2000);
  }

  function csv(rows) {
    return rows.map(function (row) {
      return row.map(function (cell) {
        var text = String(cell);
        return /[",\r\n]/.test(text) ? '"' + text.replace(/"/g, '""') + '"' : text;
      }).join(",");
    }).join("\r\n") + "\r\n";
  }

  function byId(id) { return document.getElementById(id); }
  function put(id, text) { byId(id).textContent = text; }
  // One part of the page is open at a time.
  function open(names, parts) {
    parts.forEach(function (part) { byId(part).hidden = names.indexOf(part) < 0; });
    window.scrollTo({ top: 0, behavior: "instant" });
    var head = byId(names[0]).querySelector("h2");
    if (head) { head.tabIndex = -1; head.focus({ preventScroll: true }); }
  }
  function table(body, rows) {
    byId(body).replaceChildren.apply(byId(body), rows.map(function (row) {
      var tr = document.createElement("tr");
      row.forEach(function (cell, i) {
        var td = document.createElement(i ? "td" : "th");
        if (!i) { td.scope = "row"; }
        if (cell && cell.nodeType) { td.appendChild(cell); } else { td.textContent = cell; }
        tr.appendChild(td);
      });
      return tr;
    }));
  }
  function sealed(text) {
    return JSON.parse(new TextDecoder().decode(bytesOf(text)));
  }

  // The desk: stop, volume that starts quiet, and how far the sound has come.
  function desk(getPlayer, onStop) {
    var slider = byId("volume");
    function setVolume() {
      put("volume-db", slider.value.replace("-", "−") + " dB");
      if (getPlayer()) { getPlayer().setVolume(Number(slider.value)); }
    }
    slider.value = slider.min;  // some browsers bring back where it last stood
    slider.value = slider.dataset.start;
    slider.addEventListener("input", setVolume);
    byId("stop").addEventListener("click", onStop);
    setInterval(function () {
      var p = getPlayer();
      byId("ahead").style.width = (p ? 100 * p.playedShare() : 0).toFixed(1) + "%";
    }, 100);
    return setVolume;
  }

  return {
    hash: function (text) { return hex(hash(text)); },
    sealOf: function (seed) { return hex(hash("seal:" + seed)); },
    draws: draws, freshSeed: freshSeed, givenSeed: givenSeed, decode: decode, player: player,
    openContext: openContext, whenReady: whenReady, kept: kept, keep: keep, download: download, csv: csv,
    byId: byId, put: put, open: open, table: table, sealed: sealed, desk: desk
  };
})();
