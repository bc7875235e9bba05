//! The same door over HTTP, and the screens.
