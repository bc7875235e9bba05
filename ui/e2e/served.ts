// A person at a browser: the program serves an own shop file in an own folder, Chromium opens it.
import { type ChildProcess, execFileSync, spawn } from "node:child_process";
import { mkdirSync, mkdtempSync, rmSync } from "node:fs";
import { tmpdir } from "node:os";
import { join } from "node:path";
import { createInterface } from "node:readline";
import { fileURLToPath } from "node:url";

import { type Browser, type BrowserContextOptions, chromium, type Page } from "playwright-core";

const root = fileURLToPath(new URL("../..", import.meta.url));
const program = process.env.SHEETLOFT ?? join(root, "target/debug/sheetloft");

/** Chromium as Debian has it, and nothing fetched or reported by it. */
export const browser = (args: string[] = []): Promise<Browser> =>
  chromium.launch({
    executablePath: process.env.CHROMIUM ?? "/usr/bin/chromium",
    chromiumSandbox: false,
    args: [
      "--disable-gpu",
      "--disable-quic",
      "--no-first-run",
      "--disable-background-networking",
      "--disable-component-update",
      "--disable-sync",
      ...args,
    ],
  });

/** The program, serving a shop file that does not exist yet. */
export class Served {
  private constructor(
    readonly folder: string,
    readonly address: string,
    /** Where other devices, phones and tablets find it; empty where it is for this machine alone. */
    readonly share: string,
    private readonly process: ChildProcess,
  ) {}

  static async start({ shared = false } = {}): Promise<Served> {
    const folder = mkdtempSync(join(tmpdir(), "sheetloft-"));
    // Others are let in to a shop that is there.
    if (shared) execFileSync(program, ["--shop", join(folder, "shop.db"), "init", "--name", "Exhibits"]);
    const child = spawn(program, ["--shop", join(folder, "shop.db"), "--json", "serve", "--listen", "127.0.0.1:0", ...(shared ? ["--share", "127.0.0.1:0"] : [])], {
      stdio: ["ignore", "pipe", "inherit"],
    });
    for await (const line of createInterface({ input: child.stdout! })) {
      const said = JSON.parse(line) as { address: string; share: string | null };
      return new Served(folder, said.address, said.share ?? "", child);
    }
    throw new Error(`${program} ended before it served`);
  }

  /** The same shop on the command line: the JSON document of a command that ends well. */
  cli(...args: string[]) {
    return this.cliAt("shop.db", ...args);
  }

  /** Another shop file beside it on the command line. */
  cliAt(file: string, ...args: string[]) {
    return JSON.parse(execFileSync(program, ["--shop", join(this.folder, file), "--json", ...args], { encoding: "utf8" }));
  }

  /** A customer's drawing, made by Python's ezdxf. */
  drawing(name: string): string {
    const path = join(this.folder, `${name}.dxf`);
    execFileSync(join(root, ".venv/bin/python"), [join(root, "tests/reference/customer_drawing.py"), name, path]);
    return path;
  }

  /** Asks the program to stop; gives its exit status. */
  async stop(): Promise<number | null> {
    const ended = new Promise<number | null>((resolve) => this.process.once("exit", resolve));
    this.process.kill("SIGTERM");
    const status = await ended;
    rmSync(this.folder, { recursive: true, force: true });
    return status;
  }
}

/** A page that fails the test where the screens stumble or ask anything of another place. */
export class Watched {
  readonly trouble: string[] = [];
  /** What was asked and is not answered yet. */
  private readonly asked = new Set<unknown>();

  private constructor(readonly page: Page) {}

  static async open(browser: Browser, served: Served, options: BrowserContextOptions = {}, address = served.address): Promise<Watched> {
    const context = await browser.newContext({ viewport: { width: 1280, height: 860 }, acceptDownloads: true, ...options });
    const page = await context.newPage();
    page.setDefaultTimeout(30_000);
    const watched = new Watched(page);
    page.on("pageerror", (error) => watched.trouble.push(error.message));
    page.on("console", (message) => {
      if (message.type() === "error" || message.type() === "warning") watched.trouble.push(message.text());
    });
    page.on("request", (request) => {
      const url = new URL(request.url());
      if (url.protocol !== "blob:" && url.origin !== new URL(address).origin) watched.trouble.push(`asks ${request.url()}`);
    });
    const answered = (request: unknown) => void watched.asked.delete(request);
    // The question that waits for news is answered when there is some.
    page.on("request", (request) => !request.postData()?.startsWith('{"ask":"news"') && watched.asked.add(request));
    page.on("requestfinished", answered);
    page.on("requestfailed", answered);
    await page.goto(address);
    return watched;
  }

  /** Waits until everything that was asked is answered, and on the screen. */
  async settled(): Promise<void> {
    for (let quiet = 0; quiet < 2; quiet = this.asked.size === 0 ? quiet + 1 : 0) {
      await this.page.evaluate(() => new Promise((shown) => requestAnimationFrame(() => setTimeout(shown))));
    }
  }

  /** Takes a picture for the README, where `SHEETLOFT_PICTURES` names a folder for them. */
  async picture(name: string): Promise<void> {
    const folder = process.env.SHEETLOFT_PICTURES;
    if (!folder) return;
    mkdirSync(folder, { recursive: true });
    await this.page.screenshot({ path: join(folder, `${name}.png`), animations: "disabled" });
  }
}
