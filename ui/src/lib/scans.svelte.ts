// What a scan does follows from where one is: the screen in front hears of it first; otherwise it opens what was scanned.
import { act, asRefused } from "./client";
import type { ScanAnswer } from "./door";
import { warn } from "./notice.svelte";
import { go } from "./route.svelte";
import { say } from "./say";

type Hears = (text: string) => void;
const hearing: Hears[] = [];

/** The calling component hears of scans while it lives. */
export function hearScans(hears: Hears): void {
  $effect(() => {
    hearing.push(hears);
    return () => void hearing.splice(hearing.lastIndexOf(hears), 1);
  });
}

/** Something was scanned. */
export function scanned(text: string): void {
  const hears = hearing.at(-1);
  if (hears) hears(text);
  else void openText(text);
}

/** Opens what a text stands for, or says why not. */
export async function openText(text: string): Promise<void> {
  try {
    open(await act("scan", { text }));
  } catch (error) {
    warn(asRefused(error).text);
  }
}

/** Opens what was scanned. */
export function open(scan: ScanAnswer): void {
  if (scan.kind === "piece" || scan.kind === "order" || scan.kind === "plan" || scan.kind === "rack") go(scan.kind, scan.code ?? "");
  else warn(scan.near.length > 0 ? say("ui-scan-near", { text: scan.text, codes: scan.near.join(", ") }) : scan.text);
}

let audio: AudioContext | null = null;

/** A short high tone for yes, a long low one for no: heard over a saw, and told apart without looking. */
export function sound(yes: boolean): void {
  try {
    audio ??= new AudioContext();
    const tone = audio.createOscillator();
    const loud = audio.createGain();
    tone.type = yes ? "sine" : "square";
    tone.frequency.value = yes ? 1320 : 165;
    loud.gain.value = yes ? 0.15 : 0.3;
    tone.connect(loud).connect(audio.destination);
    tone.start();
    tone.stop(audio.currentTime + (yes ? 0.09 : 0.6));
  } catch {
    // No sound here: what is on the screen says it too.
  }
}
