// Between a form and its fields: which refusal belongs beside which field.
import { getContext, setContext } from "svelte";

import type { Refused } from "./door";

export interface FormContext {
  /** The sentence to show beside a field that goes by any of these names. */
  errorFor(names: readonly string[]): string | null;
  /** A field says that it is there and shows its own errors. */
  claim(names: readonly string[]): () => void;
  /** The person changes a field: its error has been heard. */
  heard(names: readonly string[]): void;
}

const KEY = Symbol("form");

export function provideForm(context: FormContext): void {
  setContext(KEY, context);
}

export function useForm(): FormContext | undefined {
  return getContext<FormContext | undefined>(KEY);
}

/** The sentence of a refusal, where it is about one of these fields. */
export function errorOf(refused: Refused | null, names: readonly string[]): string | null {
  return refused?.field && names.includes(refused.field) ? refused.text : null;
}
