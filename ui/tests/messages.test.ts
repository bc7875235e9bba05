// The catalogue and the screens agree: no key missing, none unused, every parameter given, no text beside it.
import { readdirSync, readFileSync } from "node:fs";
import { join } from "node:path";

import { FluentBundle, FluentResource } from "@fluent/bundle";
import { describe, expect, it } from "vitest";

const catalogue = readFileSync("../crates/shop/messages/en/screens.ftl", "utf8");
const files = readdirSync("src", { recursive: true, encoding: "utf8" })
  .filter((name) => /\.(svelte|ts)$/.test(name))
  .map((name) => ({ name, text: readFileSync(join("src", name), "utf8") }));

/** Each message's text by key. */
const messages = new Map<string, string>();
for (const entry of catalogue.split(/\n(?=[a-z#])/)) {
  const found = /^([a-z][a-z0-9-]*) =([\s\S]*)$/.exec(entry);
  if (found) messages.set(found[1]!, found[2]!);
}

const used = new Map<string, string>();
for (const { name, text } of files) for (const [, key] of text.matchAll(/["'`](ui-[a-z0-9-]+)["'`]/g)) used.set(key!, name);

/** Arguments of a call from its opening bracket on, without what is inside strings. */
function call(text: string, from: number): string {
  let depth = 0;
  for (let i = from; i < text.length; i += 1) {
    if ("([{".includes(text[i]!)) depth += 1;
    if (")]}".includes(text[i]!)) depth -= 1;
    if (depth === 0) return text.slice(from + 1, i);
  }
  return text.slice(from + 1);
}

/** The names in an object as written, one level deep. */
function names(object: string): string[] {
  let depth = 0;
  let flat = "";
  for (const c of object) {
    if (")]}".includes(c)) depth -= 1;
    if (depth === 0) flat += c;
    if ("([{".includes(c)) depth += 1;
  }
  return flat
    .split(",")
    .map((entry) => /^\s*(\.\.\.)?(\w+)/.exec(entry))
    .flatMap((found) => (found ? [found[1] ? `...${found[2]}` : found[2]!] : []));
}

describe("the screens' messages", () => {
  it("are all there", () => {
    expect([...used.keys()].filter((key) => !messages.has(key))).toEqual([]);
  });

  it("are all used", () => {
    expect([...messages.keys()].filter((key) => !used.has(key))).toEqual([]);
  });

  it("are all read by the formatter, and begin with ui-", () => {
    const bundle = new FluentBundle("en", { useIsolating: false });
    bundle.addResource(new FluentResource(catalogue));
    for (const key of messages.keys()) {
      expect(key).toMatch(/^ui-/);
      expect(bundle.getMessage(key)?.value, key).toBeTruthy();
    }
  });

  it("are given every parameter that they name", () => {
    const wrong: string[] = [];
    for (const { name, text } of files) {
      for (const found of text.matchAll(/\bsay\(/g)) {
        const inside = call(text, found.index + found[0].length - 1);
        const brace = inside.indexOf("{");
        const keys = [...(brace < 0 ? inside : inside.slice(0, brace)).matchAll(/"(ui-[a-z0-9-]+)"/g)].map((m) => m[1]!);
        const variable = brace < 0 && /,\s*\w+\s*$/.test(inside);
        const given = brace < 0 ? [] : names(call(inside, brace));
        if (variable || given.some((g) => g.startsWith("..."))) continue;
        for (const key of keys) {
          const wanted = new Set([...(messages.get(key) ?? "").matchAll(/\{\s*\$(\w+)/g)].map((m) => m[1]!));
          for (const parameter of wanted) if (!given.includes(parameter)) wrong.push(`${name}: ${key} lacks ${parameter}`);
        }
      }
    }
    expect(wrong).toEqual([]);
  });

  it("are the only text in the screens", () => {
    const wrong: string[] = [];
    for (const { name, text } of files.filter((f) => f.name.endsWith(".svelte"))) {
      const markup = text
        .replace(/<script[\s\S]*?<\/script>/g, "")
        .replace(/<style[\s\S]*?<\/style>/g, "")
        .replace(/<!--[\s\S]*?-->/g, "");
      let depth = 0;
      let outside = "";
      for (const c of markup) {
        if (c === "}") depth -= 1;
        if (depth === 0 && c !== "}") outside += c;
        if (c === "{") depth += 1;
      }
      for (const [, words] of outside.matchAll(/>([^<>]*)</g)) if (/\p{L}{2}/u.test(words!)) wrong.push(`${name}: ${words!.trim()}`);
      for (const [whole] of outside.matchAll(/\b(?:placeholder|title|aria-label|alt)="[^"{]*\p{L}[^"]*"/gu)) wrong.push(`${name}: ${whole}`);
    }
    expect(wrong).toEqual([]);
  });
});
