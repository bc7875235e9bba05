// How the screens are built, served while they are being written, and tested.
import { svelte } from "@sveltejs/vite-plugin-svelte";
import { svelteTesting } from "@testing-library/svelte/vite";
import { defineConfig } from "vitest/config";

// While the screens are being written, the door of a running `sheetloft serve` stands behind them.
const door = process.env.SHEETLOFT_DOOR ?? "http://127.0.0.1:4848";

export default defineConfig({
  plugins: [svelte(), svelteTesting()],
  base: "./",
  build: {
    target: ["es2022"],
    cssTarget: ["chrome123", "safari17.5"],
    // Fonts and pictures stay files: the content security policy knows no data addresses.
    assetsInlineLimit: 0,
    modulePreload: { polyfill: false },
  },
  server: {
    host: "127.0.0.1",
    fs: { allow: ["..", "../crates/shop/messages"] },
    proxy: {
      "/door": {
        target: door,
        changeOrigin: true,
        // The door answers its own pages only; here it is to answer these.
        configure: (proxy) => proxy.on("proxyReq", (request) => ["origin", "sec-fetch-site"].forEach((h) => request.removeHeader(h))),
      },
    },
  },
  test: {
    environment: "jsdom",
    include: ["tests/**/*.test.ts"],
    setupFiles: ["tests/setup.ts"],
  },
});
