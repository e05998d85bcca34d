"use strict";
// A short tone for a reading that counted, one that does not, and a step that closed.
// A browser may hold sound back until the page was tapped; then the page says so.

let muted = kept.get("muted") === "yes";
let audio = null;
let heardLast = null; // the last reading and step that a tone was made for
const played = [];    // names of tones, the last ones; for who wants to know

function context() {
  if (!audio && window.AudioContext) {
    audio = new AudioContext();
    audio.addEventListener("statechange", soundState);
  }
  return audio;
}

// Each tone is notes of [hertz, start, length in s]: they differ in pitch, number and
// rhythm, so that they are told apart over a compressor.
const tones = {
  counted: [[880, 0, 0.12]],
  refused: [[196, 0, 0.16], [196, 0.24, 0.22]],
  closed: [[659, 0, 0.12], [880, 0.13, 0.12], [1175, 0.26, 0.2]],
};

function play(name) {
  played.push(name);
  if (played.length > 20) played.shift();
  const to = muted ? null : context();
  if (!to || to.state !== "running") return;
  for (const [hertz, start, length] of tones[name]) {
    const from = to.currentTime + start, tone = to.createOscillator(), loud = to.createGain();
    tone.type = "triangle";
    tone.frequency.value = hertz;
    loud.gain.setValueAtTime(0, from);
    loud.gain.linearRampToValueAtTime(0.5, from + 0.01);
    loud.gain.setValueAtTime(0.5, from + length - 0.03);
    loud.gain.linearRampToValueAtTime(0, from + length);
    tone.connect(loud).connect(to.destination);
    tone.start(from);
    tone.stop(from + length);
  }
}

// soundState shows whether sound is on, off, or held back by the browser.
function soundState() {
  const held = !muted && context() && audio.state !== "running";
  byId("sound").hidden = !held;
  const button = document.querySelector("[data-do=mute]");
  button.setAttribute("aria-pressed", String(muted));
  put(button, muted ? t("Sound is off") : held ? t("Sound waits for a tap") : t("Sound is on"));
}

function mute(on) {
  muted = on;
  kept.set("muted", muted ? "yes" : "");
  if (!muted) context()?.resume();
  soundState();
}

// listen makes the tone for what is new since the event before.
function listen() {
  const { snapshot, words } = event, last = words.last, job = snapshot.job;
  const now = { run: snapshot.run, seq: last ? last.seq : 0, job: job ? job.job : "", closed: job ? job.steps.filter((s) => s.closed).length : 0 };
  const was = heardLast;
  heardLast = now;
  if (!was || was.run !== now.run || was.job !== now.job) return;
  if (now.closed > was.closed) play("closed");
  else if (now.seq > was.seq) play(last.mark === "good" ? "counted" : "refused");
}

watchers.add(listen);
addEventListener("DOMContentLoaded", () => {
  say(soundState);
  byId("sound").addEventListener("click", () => context()?.resume());
  addEventListener("pointerdown", () => { if (!muted && audio?.state === "suspended") audio.resume(); });
});
