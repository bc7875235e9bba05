// Light or dark: as the system says, or as the person set the switch.

export type Theme = "system" | "light" | "dark";

const KEY = "theme";

function kept(): Theme {
  try {
    const value = localStorage.getItem(KEY);
    return value === "light" || value === "dark" ? value : "system";
  } catch {
    return "system";
  }
}

class ThemeState {
  value = $state<Theme>(kept());

  set(value: Theme): void {
    this.value = value;
    this.apply();
    try {
      localStorage.setItem(KEY, value);
    } catch {
      // Nowhere to keep it; it holds until the window closes.
    }
  }

  apply(): void {
    if (this.value === "system") delete document.documentElement.dataset.theme;
    else document.documentElement.dataset.theme = this.value;
  }
}

export const theme = new ThemeState();
