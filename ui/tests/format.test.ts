// Numbers as people read them.
import { describe, expect, it } from "vitest";

import * as format from "../src/lib/format";

const plain = (text: string) => text.replaceAll("\u00a0", " ");

describe("lengths", () => {
  // 1 in = 25.4 mm exactly, 1 lb = 0.45359237 kg exactly: international yard and pound agreement, 1959.
  it.each([
    [1219.2, "mm", "1219.2 mm"],
    [2440, "mm", "2440 mm"],
    [0.04, "mm", "0 mm"],
    [-0.04, "mm", "0 mm"],
    [1219.2, "in", "4'"],
    [600.075, "in", `1' 11 5/8"`],
    [19.05, "in", `3/4"`],
    [1282.7, "in", `4' 2 1/2"`],
    [0, "in", `0"`],
    [-25.4, "in", `-1"`],
    [304.8 * 3 + 12.7, "in", `3' 1/2"`],
    // Rounding up to a full foot carries.
    [304.79, "in", "1'"],
  ] as const)("%d mm in %s reads %s", (mm, unit, text) => {
    expect(plain(format.length(mm, unit))).toBe(text);
  });

  it("are fine where it matters", () => {
    expect(plain(format.fine(0.41, "mm"))).toBe("0.41 mm");
    expect(format.fine(0.254, "in")).toBe('0.01"');
  });

  it("make sizes", () => {
    expect(plain(format.size(300, 540, "mm"))).toBe("300 × 540 mm");
    expect(plain(format.size(1219.2, 2438.4, "in"))).toBe("4' × 8'");
  });
});

describe("areas and weights", () => {
  it("change their unit with their size", () => {
    expect(plain(format.area(50_000, "mm"))).toBe("500 cm²");
    expect(plain(format.area(2_972_897, "mm"))).toBe("2.973 m²");
    expect(plain(format.area(1219.2 * 2438.4, "in"))).toBe("32 ft²");
    expect(plain(format.area(25.4 * 25.4 * 72, "in"))).toBe("72 in²");
  });

  it("show pounds where people think in inches", () => {
    expect(plain(format.weight(10.6, "mm"))).toBe("11 kg");
    expect(plain(format.weight(0.42, "mm"))).toBe("0.4 kg");
    expect(plain(format.weight(0.45359237 * 50, "in"))).toBe("50 lb (23 kg)");
  });
});

describe("money", () => {
  it("keeps every digit as it came", () => {
    expect(plain(format.money("12345678901234.50", "EUR"))).toBe("12345678901234.50 EUR");
  });
  it("knows nothing when it sees it", () => {
    expect(format.isZero("0.00")).toBe(true);
    expect(format.isZero("-0.00")).toBe(true);
    expect(format.isZero("0.01")).toBe(false);
  });
});

describe("times", () => {
  it("gives back what is no time", () => {
    expect(format.moment("—")).toBe("—");
    expect(format.day("soon")).toBe("soon");
  });
  it("writes days in full", () => {
    expect(format.day("2026-03-09")).toBe("Mon, 9 Mar 2026");
  });
});
