// Files in and out: read as base 64 for the door; saved by the browser, or by the window itself.
import type { Upload } from "./door";
import { inWindow } from "./transport";

/** A file as the door takes it. */
export async function upload(file: File): Promise<Upload> {
  const bytes = new Uint8Array(await file.arrayBuffer());
  let text = "";
  const step = 0x8000;
  for (let i = 0; i < bytes.length; i += step) text += String.fromCharCode(...bytes.subarray(i, i + step));
  return { name: file.name, data: btoa(text) };
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
