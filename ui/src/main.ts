// Where the screens begin.
import "@fontsource-variable/atkinson-hyperlegible-mono/wght.css";
import "@fontsource-variable/atkinson-hyperlegible-next/wght.css";
import "./lib/tokens.css";
import "./lib/base.css";

import { mount } from "svelte";

import App from "./App.svelte";
import { theme } from "./lib/theme.svelte";

theme.apply();
mount(App, { target: document.getElementById("app")! });
