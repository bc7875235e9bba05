// The shop that is open: its unit and currency for every screen, and whether there is one yet.
import { act, asRefused, hello } from "./client";
import type { Refused, ShopAnswer } from "./door";
import * as format from "./format";

class ShopState {
  /** Whether there is a shop file; null until the door has answered. */
  exists = $state<boolean | null>(null);
  window = $state(false);
  /** These screens are on a phone or tablet that was paired. */
  paired = $state(false);
  /** It has not been paired yet, or was sent away. */
  stranger = $state(false);
  version = $state("");
  shop = $state.raw<ShopAnswer | null>(null);
  refused = $state.raw<Refused | null>(null);

  async load(): Promise<void> {
    try {
      const there = await hello();
      this.stranger = there === null;
      if (!there) return;
      this.paired = there.paired;
      this.window = there.window;
      this.version = there.version;
      if (there.shop) this.shop = await act("shop", {});
      this.exists = there.shop;
      this.refused = null;
    } catch (error) {
      this.refused = asRefused(error);
    }
  }

  get unit(): format.Unit {
    return this.shop?.unit === "in" ? "in" : "mm";
  }
}

export const shop = new ShopState();

/** Numbers in this shop's unit and currency. */
export const show = {
  length: (mm: number) => format.length(mm, shop.unit),
  fine: (mm: number) => format.fine(mm, shop.unit),
  size: (w: number, h: number) => format.size(w, h, shop.unit),
  area: (mm2: number) => format.area(mm2, shop.unit),
  weight: (kg: number) => format.weight(kg, shop.unit),
  money: (text: string) => format.money(text, shop.shop?.currency ?? ""),
  angle: format.angle,
  moment: format.moment,
  day: format.day,
};
