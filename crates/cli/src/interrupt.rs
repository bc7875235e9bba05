//! Ctrl-C during long work: the first ends it with the best that it has, the next ends the program.

use std::sync::atomic::{AtomicBool, Ordering};

/// Whether Ctrl-C was pressed, and whether anyone listens.
#[derive(Debug, Default)]
pub struct Interrupt {
    pressed: AtomicBool,
    listening: AtomicBool,
}

/// Long work that ends on Ctrl-C; while there is none, Ctrl-C ends the program.
#[derive(Debug)]
pub struct Listening(&'static Interrupt);

impl Interrupt {
    /// None pressed yet.
    pub const fn new() -> Self {
        Self { pressed: AtomicBool::new(false), listening: AtomicBool::new(false) }
    }

    /// Takes Ctrl-C from the system, from now on.
    pub fn listen(&'static self) -> Listening {
        self.listening.store(true, Ordering::SeqCst);
        // Where it cannot be had, Ctrl-C ends the program as it always did.
        let _ = ctrlc::set_handler(|| self.press());
        Listening(self)
    }

    fn press(&self) {
        let again = self.pressed.swap(true, Ordering::SeqCst);
        if again || !self.listening.load(Ordering::SeqCst) {
            // As shells count an end by Ctrl-C: 128 and the signal's number.
            std::process::exit(130);
        }
    }
}

impl Listening {
    /// Whether Ctrl-C was pressed.
    pub fn heard(&self) -> bool {
        self.0.pressed.load(Ordering::SeqCst)
    }
}

impl Drop for Listening {
    fn drop(&mut self) {
        self.0.listening.store(false, Ordering::SeqCst);
    }
}
