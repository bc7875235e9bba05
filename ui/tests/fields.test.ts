// Fields as a person types into them, key by key.
import { render, screen } from "@testing-library/svelte";
import userEvent from "@testing-library/user-event";
import { describe, expect, it } from "vitest";

import SizeField from "../src/components/SizeField.svelte";

describe("a size", () => {
  const fields = () => screen.getAllByRole("textbox").map((field) => (field as HTMLInputElement).value.trim());

  it("is typed whole into the first field, key by key", async () => {
    render(SizeField, { label: "Size", value: "" });
    await userEvent.type(screen.getAllByRole("textbox")[0]!, "8ft x 4ft");
    expect(fields()).toEqual(["8ft", "4ft"]);
    expect(document.activeElement).toBe(screen.getAllByRole("textbox")[1]);
  });

  it("is pasted whole, or typed one by one", async () => {
    render(SizeField, { label: "Size", value: "" });
    const [first, second] = screen.getAllByRole("textbox") as [HTMLElement, HTMLElement];
    await userEvent.click(first);
    await userEvent.paste("2440 × 1220");
    expect(fields()).toEqual(["2440", "1220"]);
    await userEvent.clear(first);
    await userEvent.type(first, "300");
    await userEvent.clear(second);
    await userEvent.type(second, "200");
    expect(fields()).toEqual(["300", "200"]);
  });
});
