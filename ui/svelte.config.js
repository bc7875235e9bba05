// Svelte for the editor and for svelte-check.
import { vitePreprocess } from "@sveltejs/vite-plugin-svelte";

export default { preprocess: vitePreprocess(), compilerOptions: { runes: true } };
