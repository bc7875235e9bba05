// Colours can be told apart by everyone: contrast as WCAG 2.2 defines it (W3C Recommendation, 1.4.3, 1.4.6, 1.4.11),
// with oklch turned to sRGB as CSS Color Module Level 4 does (matrices from its sample code, section 18).
import { readFileSync } from "node:fs";

import { describe, expect, it } from "vitest";

const css = readFileSync("src/lib/tokens.css", "utf8");
const pairs = [...css.matchAll(/--([\w-]+): light-dark\((oklch\([^)]*\)), (oklch\([^)]*\))\)/g)];
const themes = {
  light: new Map(pairs.map(([, name, light]) => [name!, light!])),
  dark: new Map(pairs.map(([, name, , dark]) => [name!, dark!])),
};

function linear(colour: string): [number, number, number] {
  const [l, c, h] = /oklch\(([\d.]+) ([\d.]+) ([\d.]+)/.exec(colour)!.slice(1).map(Number) as [number, number, number];
  const [a, b] = [c * Math.cos((h * Math.PI) / 180), c * Math.sin((h * Math.PI) / 180)];
  const cube = (x: number) => x ** 3;
  const L = cube(l + 0.3963377774 * a + 0.2158037573 * b);
  const M = cube(l - 0.1055613458 * a - 0.0638541728 * b);
  const S = cube(l - 0.0894841775 * a - 1.291485548 * b);
  return [
    4.0767416621 * L - 3.3077115913 * M + 0.2309699292 * S,
    -1.2684380046 * L + 2.6097574011 * M - 0.3413193965 * S,
    -0.0041960863 * L - 0.7034186147 * M + 1.707614701 * S,
  ];
}

function luminance(colour: string): number {
  const [r, g, b] = linear(colour).map((x) => Math.min(1, Math.max(0, x))) as [number, number, number];
  return 0.2126 * r + 0.7152 * g + 0.0722 * b;
}

function contrast(a: string, b: string): number {
  const [x, y] = [luminance(a), luminance(b)].sort((p, q) => q - p) as [number, number];
  return (x + 0.05) / (y + 0.05);
}

/** What stands on what, and how much it must stand out. */
const wanted: [front: string, back: string, least: number][] = [
  ...["ground", "surface", "sunk", "act-tint", "good-tint", "warn-tint", "stop-tint", "board", "kept", "part"].map((back): [string, string, number] => ["ink", back, 7]),
  ...["ground", "surface", "sunk"].flatMap((back): [string, string, number][] => [
    ["ink-soft", back, 7],
    ["act", back, 7],
    ["good", back, 4.5],
    ["warn", back, 4.5],
    ["stop", back, 4.5],
    ["line-strong", back, 3],
    ["board-rim", back, 7],
  ]),
  ["on-act", "act", 7],
  ["on-act", "act-hover", 7],
  ["act", "act-tint", 4.5],
  ["good", "good-tint", 4.5],
  ["warn", "warn-tint", 4.5],
  ["stop", "stop-tint", 4.5],
  ["board-rim", "board", 4.5],
  ["part-rim", "board", 4.5],
  ["part-rim", "part", 4.5],
  ["stop", "surface", 4.5],
];

describe.each(["light", "dark"] as const)("contrast in the %s theme", (theme) => {
  it.each(wanted)("%s on %s is at least %d : 1", (front, back, least) => {
    expect(contrast(themes[theme].get(front)!, themes[theme].get(back)!)).toBeGreaterThanOrEqual(least);
  });
});

it("every colour of the screens is a token", () => {
  expect(pairs.length).toBeGreaterThan(20);
});
