"use strict";
/* The player: versions of a thing are started together and switched by their gains, so they stay in step. */

const FADE_S = 0.005;

/* Build the sound of one player in any audio context: every version at gain 0. Returns its sources and gains. */
function build(context, player, buffers, destination) {
  const sources = new Map();
  const gains = player.versions.map((version) => {
    const merger = context.createChannelMerger(2);
    const gain = context.createGain();
    gain.gain.value = 0;
    merger.connect(gain).connect(destination);
    for (const [clip, ...sides] of version.voices) {
      if (!sources.has(clip)) {
        const source = context.createBufferSource();
        source.buffer = buffers.get(clip);
        source.loop = true;
        sources.set(clip, source);
      }
      sides.forEach((value, side) => {
        const level = context.createGain();
        level.gain.value = value;
        sources.get(clip).connect(level).connect(merger, 0, side);
      });
    }
    return gain;
  });
  return { sources: [...sources.values()], gains, heard: gains.map(() => 0) };
}

/* Fade to one version (or none: -1) at a time of the context's clock; all others go to 0. */
function fade(sound, version, level, when) {
  sound.gains.forEach((gain, number) => {
    const target = number === version ? level : 0;
    gain.gain.cancelScheduledValues(when);
    gain.gain.setValueAtTime(sound.heard[number], when);
    gain.gain.linearRampToValueAtTime(target, when + FADE_S);
    sound.heard[number] = target;
  });
}

function bytesOf(base64) {
  return Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0)).buffer;
}

/* A fair order of 0 to count - 1 (Fisher and Yates), from the system's random numbers. */
function shuffled(count) {
  const order = [...Array(count).keys()];
  for (let last = count - 1; last > 0; last -= 1) {
    const limit = 2 ** 32 - (2 ** 32 % (last + 1));
    let value;
    do { [value] = crypto.getRandomValues(new Uint32Array(1)); } while (value >= limit);
    const other = value % (last + 1);
    [order[last], order[other]] = [order[other], order[last]];
  }
  return order;
}

const gainOf = (db) => 10 ** (db / 20);

/* '1:02.35' */
function clock(seconds) {
  const hundredths = Math.round(seconds * 100);
  const rest = ((hundredths % 6000) / 100).toFixed(2).padStart(5, "0");
  return `${Math.floor(hundredths / 6000)}:${rest}`;
}

/* Whatever follows the place in the song is told of it. */
const tellPlace = (seconds) => document.dispatchEvent(new CustomEvent("place", { detail: seconds }));

const SAME_DB = 0.05;
const LEAST_LOOP_S = 0.05;

function startPlayer(data) {
  const at = (id) => document.getElementById(id);
  const decoded = new Map();
  const votes = new Map();
  const now = { context: null, master: null, sound: null, player: data.players[0], version: 0, offset: 0, begun: 0,
    warned: false, blind: null, voted: false, busy: 0, mono: null, loop: [0, data.seconds], outside: null };

  const seconds = () => data.seconds;
  const playing = () => now.sound !== null;
  /* In seconds from the begin of what can be heard. */
  const position = () => {
    if (!playing()) return now.offset;
    const [from, to] = now.loop;
    const run = now.offset + Math.max(0, now.context.currentTime - now.begun);
    return run < to ? run : from + ((run - from) % (to - from));
  };
  const level = (number) => (at("equal").checked || now.blind ? gainOf(now.player.versions[number].match_db) : 1);

  async function load(player) {
    const clips = new Set(player.versions.flatMap((version) => version.voices.map(([clip]) => clip)));
    await Promise.all([...clips].map(async (clip) => {
      if (!decoded.has(clip)) {
        decoded.set(clip, await now.context.decodeAudioData(bytesOf(at(`clip-${clip}`).textContent.trim())));
      }
    }));
  }

  function stop() {
    if (!playing()) return;
    now.offset = position();
    const { sound } = now;
    const end = now.context.currentTime;
    fade(sound, -1, 0, end);
    sound.sources.forEach((source) => source.stop(end + FADE_S));
    setTimeout(() => sound.gains.forEach((gain) => gain.disconnect()), 50);
    now.sound = null;
    show();
  }

  async function play() {
    const ticket = (now.busy += 1);
    if (!now.context) {
      now.context = new AudioContext({ sampleRate: data.rate });
      now.master = now.context.createGain();
      now.master.gain.value = gainOf(Number(at("volume").value));
      now.mono = now.context.createGain();  // one channel in: the browser adds left and right at half each
      now.mono.channelInterpretation = "speakers";
      now.master.connect(now.mono).connect(now.context.destination);
      setMono();
    }
    try {
      await now.context.resume();
      await load(now.player);
    } catch (error) {
      at("told").textContent = `This browser cannot play the clips: ${error.message}`;
      return;
    }
    if (ticket !== now.busy) return;
    stop();
    now.outside = null;
    now.sound = build(now.context, now.player, decoded, now.master);
    now.sound.sources.forEach((source) => { [source.loopStart, source.loopEnd] = now.loop; });
    now.begun = now.context.currentTime + 0.02;
    now.sound.sources.forEach((source) => source.start(now.begun, now.offset));
    fade(now.sound, now.version, level(now.version), now.begun);
    show();
    requestAnimationFrame(follow);
  }

  function follow() {
    if (!playing()) return;
    showPosition();
    requestAnimationFrame(follow);
  }

  function choose(version) {
    now.version = version;
    if (playing()) fade(now.sound, version, level(version), now.context.currentTime);
  }

  function showPosition() {
    const place = now.outside ?? data.start + position();
    at("position").value = place;
    at("position").setAttribute("aria-valuetext", clock(place));
    at("position-text").textContent = clock(place);
    tellPlace(place);
  }

  function show() {
    at("play").textContent = playing() ? "Stop" : "Play";
    showPosition();
  }

  function showVolume() {
    const text = `${at("volume").value.replace("-", "\u2212")} dB`;
    at("volume").setAttribute("aria-valuetext", text);
    at("volume-text").textContent = text;
    if (now.master) now.master.gain.setTargetAtTime(gainOf(Number(at("volume").value)), now.context.currentTime, 0.01);
  }

  /* One radio button a version, in the order of the blind test where one runs. */
  function showVersions() {
    const order = now.blind || [...now.player.versions.keys()];
    at("versions").querySelectorAll("label").forEach((label) => label.remove());
    order.forEach((version, place) => {
      const label = document.createElement("label");
      const radio = document.createElement("input");
      Object.assign(radio, { type: "radio", name: "version", value: String(place), checked: version === now.version });
      radio.addEventListener("change", () => choose(version));
      const hidden = now.blind && !now.voted;
      label.append(radio, hidden ? `Number ${place + 1}` : now.player.versions[version].name);
      at("versions").append(label);
    });
    at("equal").disabled = Boolean(now.blind);
    const gains = now.player.versions.map(({ match_db }) => match_db);
    const nothing = Math.max(...gains) - Math.min(...gains) < SAME_DB;
    at("equal-text").textContent = nothing ? "Equal loudness (changes nothing: all are equally loud)" : "Equal loudness";
    at("vote").hidden = !now.blind || now.voted;
    at("blind").textContent = !now.blind ? "Start a blind test" : now.voted ? "Take the test again" : "Give up";
    at("blind").disabled = now.player.versions.length < 2;
  }

  function blind() {
    if (now.blind && !now.voted) {
      now.blind = null;
      at("told").textContent = "The blind test was given up.";
    } else {
      now.blind = shuffled(now.player.versions.length);
      now.voted = false;
      now.version = now.blind[0];
      at("told").textContent = "Versions are in random order and equally loud. Listen, switch, then vote.";
    }
    showVersions();
    choose(now.version);
  }

  function vote() {
    const { player, version } = now;
    const tally = votes.get(player.name) || player.versions.map(() => 0);
    tally[version] += 1;
    votes.set(player.name, tally);
    now.voted = true;
    const list = (items) => items.join(", ");
    const order = now.blind.map((number, place) => `number ${place + 1} was ${player.versions[number].name}`);
    const sums = player.versions.map(({ name }, number) => `${name} ${tally[number]}`);
    at("told").textContent = `You chose ${player.versions[version].name}: ${list(order)}. Votes so far: ${list(sums)}.`;
    showVersions();
    at("blind").focus();
  }

  function choosePlayer() {
    const was = playing();
    now.player = data.players.find(({ name }) => name === at("what").value);
    Object.assign(now, { version: 0, blind: null, voted: false });
    at("told").textContent = "";
    showVersions();
    if (was) play();
  }

  at("what").addEventListener("change", choosePlayer);
  at("play").addEventListener("click", () => {
    if (playing()) stop();
    else if (now.warned) play();
    else at("caution").showModal();
  });
  at("caution-play").addEventListener("click", () => { now.warned = true; at("caution").close(); play(); });
  at("caution-cancel").addEventListener("click", () => at("caution").close());
  /* To a place of the song; where it cannot be heard, it is shown, and nothing plays. */
  function go(place) {
    const wanted = place - data.start;
    const was = playing();
    stop();
    now.outside = wanted < 0 || wanted > seconds() ? place : null;
    if (now.outside === null) now.offset = Math.min(Math.max(wanted, now.loop[0]), now.loop[1] - 0.01);
    if (was && now.outside === null) play();
    else showPosition();
  }

  /* What is repeated; both ends in seconds from the begin of what can be heard. */
  function setLoop(from, to) {
    const was = playing();
    stop();
    now.loop = to - from >= LEAST_LOOP_S ? [from, to] : [0, seconds()];
    if (now.offset < now.loop[0] || now.offset >= now.loop[1]) [now.offset] = now.loop;
    const whole = now.loop[1] - now.loop[0] >= seconds();
    at("loop-off").hidden = whole;
    at("loop-off").textContent = `No loop (${now.loop.map((end) => clock(data.start + end)).join(" to ")})`;
    if (was) play();
    else showPosition();
  }

  function setMono() {
    if (!now.mono) return;
    now.mono.channelCountMode = at("mono").checked ? "explicit" : "max";
    now.mono.channelCount = at("mono").checked ? 1 : 2;
  }

  at("position").addEventListener("input", () => go(Number(at("position").value)));
  at("mono").addEventListener("change", setMono);
  at("loop-from").addEventListener("click", () => setLoop(position(), now.loop[1] > position() ? now.loop[1] : seconds()));
  at("loop-to").addEventListener("click", () => setLoop(now.loop[0] < position() ? now.loop[0] : 0, position()));
  at("loop-off").addEventListener("click", () => setLoop(0, seconds()));
  at("volume").addEventListener("input", showVolume);
  at("equal").addEventListener("change", () => choose(now.version));
  at("blind").addEventListener("click", blind);
  at("vote").addEventListener("click", vote);
  at("player").addEventListener("submit", (event) => event.preventDefault());
  showVersions();
  showVolume();
  show();
  return { position, playing, go, votes, state: now };
}
