// Keys as sound: tones for a phone held to this one, words for whoever keys. Both can be overheard.

// Rows and columns of hertz: ITU-T Q.23.
const LOW = [697, 770, 852, 941];
const HIGH = [1209, 1336, 1477, 1633];
const PAD = ["123A", "456B", "789C", "*0#D"];

const SPOKEN = { "*": "star", "#": "hash", A: "letter A", B: "letter B", C: "letter C", D: "letter D" };

let context = null;

function pair(key) {
  const row = PAD.findIndex((keys) => keys.includes(key));
  return [LOW[row], HIGH[PAD[row].indexOf(key)]];
}

/** Plays keys with tones and gaps of so many milliseconds. */
export async function play(keys, toneMs, gapMs) {
  context ??= new AudioContext();
  await context.resume();
  schedule(context, keys, toneMs, gapMs, context.currentTime + 0.1);
}

/** The keys one after the other, from a time of the context on, in seconds. */
export function schedule(audio, keys, toneMs, gapMs, from) {
  const [tone, gap] = [toneMs / 1000, gapMs / 1000];
  [...keys].forEach((key, nth) => {
    const at = from + nth * (tone + gap);
    const gain = audio.createGain();
    // Off and on without a click.
    gain.gain.setValueAtTime(0, at);
    gain.gain.linearRampToValueAtTime(0.4, at + 0.005);
    gain.gain.setValueAtTime(0.4, at + tone - 0.005);
    gain.gain.linearRampToValueAtTime(0, at + tone);
    gain.connect(audio.destination);
    for (const hz of pair(key)) {
      const oscillator = new OscillatorNode(audio, { frequency: hz });
      oscillator.connect(gain);
      oscillator.start(at);
      oscillator.stop(at + tone);
    }
  });
}

/** What is said for groups of keys: digit by digit, a pause after each group. */
export function words(groups) {
  const group = ({ text }) => [...text.replaceAll(" ", "")].map((key) => SPOKEN[key] ?? key).join(", ");
  return groups.map(group).join(". ");
}

export const canSpeak = () => "speechSynthesis" in window;

/** Reads aloud; what was being read stops. */
export function say(text) {
  speechSynthesis.cancel();
  const utterance = new SpeechSynthesisUtterance(text);
  utterance.lang = "en-GB";
  utterance.rate = 0.8;
  speechSynthesis.speak(utterance);
}
