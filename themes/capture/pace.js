// Beats time for the photographer. The audio clock counts when there is one: timers drift, it doesn't.
(() => {
  "use strict";
  const beat = JSON.parse(document.getElementById("beat").textContent);
  const part = (id) => document.getElementById(id);
  const AHEAD_S = 1.2; // sounds are handed over this early, so that a late timer is never heard

  let next = 0; // index of the next frame to be taken
  let origin = null; // clock time at which frame `next` of the running stretch was or is due; null: standing
  let first = 0; // index that is due at `origin`
  let heard = 0; // beats of this stretch handed to the audio so far
  let stretch = []; // [seconds from origin, sound]
  let timer = 0;
  let audio = null;
  let playing = []; // sounds not yet over, to be silenced on pause
  let lock = null;

  const clock = () => (audio && audio.state === "running" ? audio.currentTime : performance.now() / 1000);

  // ---- what is due when: plain arithmetic ----
  function plan_stretch(from) {
    const beats = [];
    for (let second = beat.countdown; second > 0; second--) beats.push([-second, "count"]);
    for (let index = from; index < beat.frames; index++) {
      const due = (index - from) * beat.seconds;
      beats.push([due - beat.warn, "tick"], [due, beat.quarters.includes(index) ? "quarter" : "shot"]);
    }
    beats.push([(beat.frames - from) * beat.seconds, "done"]);
    return beats.sort((a, b) => a[0] - b[0]);
  }

  // ---- sound ----
  function open_audio() {
    const Context = window.AudioContext || window.webkitAudioContext;
    if (!audio && Context) audio = new Context();
    return audio && audio.state !== "running" ? audio.resume().catch(() => {}) : Promise.resolve();
  }

  function sound(name, at) {
    if (!audio || audio.state !== "running" || !part("sound").checked) return;
    const tone = beat.sounds[name];
    const source = audio.createOscillator();
    const level = audio.createGain();
    source.frequency.value = tone.hertz;
    level.gain.setValueAtTime(0, at);
    level.gain.linearRampToValueAtTime(tone.level, at + 0.0005);
    level.gain.setTargetAtTime(0, at + 0.0005, tone.seconds / 4);
    source.connect(level).connect(audio.destination);
    source.start(at);
    source.stop(at + tone.seconds);
    playing.push(source);
    source.onended = () => { playing = playing.filter((one) => one !== source); };
  }

  // ---- running and standing ----
  async function start() {
    if (next >= beat.frames) next = 0;
    await Promise.race([open_audio(), new Promise((done) => setTimeout(done, 500))]);
    first = next;
    stretch = plan_stretch(first);
    heard = 0;
    origin = clock() + beat.countdown + 0.1;
    timer = setInterval(run, 40);
    keep_awake();
    show();
  }

  function run() {
    const now = clock() - origin;
    while (heard < stretch.length && stretch[heard][0] < now + AHEAD_S) {
      const [due, name] = stretch[heard++];
      if (due > now - 0.05) sound(name, Math.max(origin + due, clock()));
    }
    next = Math.min(beat.frames, first + Math.max(0, Math.floor(now / beat.seconds + 1e-6) + (now >= 0 ? 1 : 0)));
    if (now >= (beat.frames - first) * beat.seconds) stop(true);
    show();
  }

  function stop(finished) {
    clearInterval(timer);
    origin = null;
    if (!finished) for (const source of playing.splice(0)) source.stop();
    let_sleep();
    show();
  }

  function step_back() {
    if (origin !== null) stop(false);
    next = Math.max(0, next - 1);
    show();
  }

  // ---- what is seen ----
  const SVG = "http://www.w3.org/2000/svg";
  const sign = beat.turn === "clockwise" ? 1 : -1;
  const marks = [];
  for (let index = 0; index < beat.frames; index++) {
    const mark = document.createElementNS(SVG, "path");
    mark.setAttribute("d", `M0 92V${beat.quarters.includes(index) ? 80 : 85}`);
    mark.setAttribute("transform", `rotate(${-sign * index * beat.step})`);
    mark.setAttribute("class", "mark");
    part("disc").append(mark);
    marks.push(mark);
  }

  const minutes = (seconds) => `${Math.floor(seconds / 60)}:${String(Math.floor(seconds % 60)).padStart(2, "0")}`;
  const angle = (index) => `${+((index % beat.frames) * beat.step).toFixed(2)}°`;
  function put(id, text) { if (part(id).textContent !== text) part(id).textContent = text; }

  function show() {
    const running = origin !== null;
    const now = running ? clock() - origin : 0;
    const counting = running && now < 0;
    const at = Math.min(next, beat.frames - 1); // the frame to be taken next
    const shown = running && !counting ? Math.max(0, next - 1) : at; // the one taken last, while running
    const over = next >= beat.frames && !running;
    const quarter = beat.quarters.filter((start) => start <= shown).length;
    put("number", String(shown + 1));
    put("next", next >= beat.frames ? "home" : angle(running && !counting ? next : at));
    put("quarter", `${quarter} of ${beat.quarters.length}`);
    const whole = (beat.frames - (running ? first : next)) * beat.seconds;
    put("left", minutes(Math.ceil(Math.max(0, running ? whole - Math.max(0, now) : whole))));
    put("state", over ? "The turn is complete" : counting ? `Frame ${at + 1} in ${Math.min(beat.countdown, Math.ceil(-now))}`
      : running ? "Turn, let go, wait for the click" : next === 0 ? "Ready" : `Paused: frame ${at + 1} comes next`);
    put("go", running ? "Pause" : over ? "Start again" : next === 0 ? "Start" : "Go on");
    part("back").disabled = next === 0;
    part("again").disabled = next === 0 && !running;
    const toward = running && !counting ? Math.min(next, beat.frames) : at;
    part("disc").style.transform = `rotate(${sign * toward * beat.step}deg)`;
    marks.forEach((mark, index) => mark.classList.toggle("taken", index < next));
  }

  // ---- the screen stays on while it runs ----
  async function keep_awake() {
    try {
      lock = await navigator.wakeLock.request("screen");
      put("awake", "");
    } catch {
      put("awake", "This browser doesn’t keep the screen on by itself: set the phone’s display to stay on for the turn.");
    }
  }

  function let_sleep() {
    if (lock) lock.release().catch(() => {});
    lock = null;
  }

  document.addEventListener("visibilitychange", () => {
    if (document.visibilityState === "visible" && origin !== null) keep_awake();
  });
  part("go").addEventListener("click", () => (origin === null ? start() : stop(false)));
  part("back").addEventListener("click", step_back);
  part("again").addEventListener("click", () => { if (origin !== null) stop(false); next = 0; show(); });
  document.addEventListener("keydown", (event) => {
    if (event.key === "ArrowLeft") step_back();
    else if (event.key === " " && event.target.tagName !== "BUTTON" && event.target.tagName !== "INPUT") part("go").click();
    else return;
    event.preventDefault();
  });
  show();
})();
