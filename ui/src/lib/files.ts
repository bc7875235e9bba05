// Files in and out: read as base 64 for the door; saved by the browser, or by the window itself.
import type { Upload } from "./door";
import { inWindow } from "./transport";

/** A file as the door takes it. */
export function upload(file: File): Promise<Upload> {
  return new Promise((resolve, reject) => {
    const reader = new FileReader();
    reader.onerror = () => reject(reader.error ?? new Error(file.name));
    // `data:…;base64,` and then what is wanted.
    reader.onload = () => resolve({ name: file.name, data: String(reader.result).replace(/^[^,]*,/, "") });
    reader.readAsDataURL(file);
  });
}

/** A file that came out of the door. */
export interface Download {
  name: string;
  media_type: string;
  data: string;
}

/** Saves a file; gives where it lies, where that is known. */
export async function save(file: Download): Promise<string | null> {
  if (inWindow()) {
    const { invoke } = await import("@tauri-apps/api/core");
    const { path } = await invoke<{ path: string }>("save_file", { name: file.name, data: file.data });
    return path;
  }
  const bytes = Uint8Array.from(atob(file.data), (c) => c.charCodeAt(0));
  const address = URL.createObjectURL(new Blob([bytes], { type: file.media_type }));
  const anchor = document.createElement("a");
  anchor.href = address;
  anchor.download = file.name;
  anchor.click();
  setTimeout(() => URL.revokeObjectURL(address), 60_000);
  return null;
}
