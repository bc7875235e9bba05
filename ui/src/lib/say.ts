// Every text of the screens, by key, from the message catalogue that the whole program shares.
import { FluentBundle, FluentResource, type FluentVariable } from "@fluent/bundle";

import source from "../../../crates/shop/messages/en/screens.ftl?raw";

const bundle = new FluentBundle("en", { useIsolating: false });
bundle.addResource(new FluentResource(source));

/** The message `key` with its parameters filled in; the key itself where there is no such message. */
export function say(key: string, args?: Record<string, FluentVariable>): string {
  const message = bundle.getMessage(key);
  return message?.value ? bundle.formatPattern(message.value, args ?? null, []) : key;
}
