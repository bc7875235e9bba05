//! The commands of an HP-GL file, one after the other, without any meaning.

use sheetloft_shapes::limits;

use crate::DrawingError;

/// A command: two letters and what follows them.
#[derive(Clone, PartialEq, Debug)]
pub(super) struct Command<'a> {
    /// Its two letters, in capitals.
    pub(super) name: [u8; 2],
    /// Its numbers.
    pub(super) numbers: Vec<f64>,
    /// Its text: of a label, a comment, or encoded strokes.
    pub(super) text: &'a [u8],
    /// The byte that it begins with, from 1.
    pub(super) at: usize,
}

/// End of text, which ends a label where nothing else was set.
const ETX: u8 = 3;
const ESC: u8 = 27;

/// The commands of a file.
pub(super) struct Commands<'a> {
    bytes: &'a [u8],
    at: usize,
    /// What ends a label.
    label_end: u8,
    ended: bool,
}

impl<'a> Commands<'a> {
    pub(super) fn new(bytes: &'a [u8]) -> Self {
        Self { bytes, at: 0, label_end: ETX, ended: false }
    }

    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    /// Goes on behind the next of these bytes, or to the end; gives what stands before it.
    fn until(&mut self, end: impl Fn(u8) -> bool) -> &'a [u8] {
        let rest = &self.bytes[self.at..];
        let n = rest.iter().position(|&b| end(b)).unwrap_or(rest.len());
        self.at = (self.at + n + 1).min(self.bytes.len());
        &rest[..n]
    }

    /// An escape sequence, of which the escape itself has been read: for the plotter's line, or for the printer that
    /// it is part of.
    fn escape(&mut self) {
        match self.peek() {
            Some(b'.') => {
                self.at += 2;
                let rest = self.bytes.get(self.at..).unwrap_or_default();
                let n = rest.iter().take_while(|b| b.is_ascii_digit() || **b == b';').count();
                if rest.get(n) == Some(&b':') {
                    self.at += n + 1;
                }
            }
            // Up to a capital: how to go into and out of the language.
            Some(b'%') => {
                let sequence = self.until(|b| b.is_ascii_uppercase() || b == b'@');
                if sequence.ends_with(b"12345") {
                    self.job_lines();
                }
            }
            Some(b'&' | b'*' | b'(' | b')') => {
                self.until(|b| b.is_ascii_uppercase());
            }
            // A printer's reset.
            Some(b'E' | b'9' | b'=') => self.at += 1,
            _ => {}
        }
        self.at = self.at.min(self.bytes.len());
    }

    /// Lines to the printer about the job.
    fn job_lines(&mut self) {
        while self.bytes[self.at..].starts_with(b"@PJL") {
            self.until(|b| b == b'\n');
        }
    }

    fn numbers(&mut self) -> Result<Vec<f64>, DrawingError> {
        let mut numbers = Vec::new();
        loop {
            while self.peek().is_some_and(|b| b == b',' || b.is_ascii_whitespace()) {
                self.at += 1;
            }
            let rest = &self.bytes[self.at..];
            let sign = usize::from(matches!(rest.first(), Some(b'+' | b'-')));
            let n = sign + rest[sign..].iter().take_while(|b| b.is_ascii_digit() || **b == b'.').count();
            if n == sign {
                return Ok(numbers);
            }
            // Digits and points alone: not a number where there are two points.
            let number = std::str::from_utf8(&rest[..n]).ok().and_then(|t| t.parse::<f64>().ok());
            self.at += n;
            match number.filter(|v| v.is_finite()) {
                Some(number) => numbers.push(number),
                None => return Err(DrawingError::NotANumber { at: self.at - n + 1 }),
            }
            if numbers.len() > 2 * limits::DRAWING_SEGMENTS {
                return Err(DrawingError::TooManyCorners { most: limits::DRAWING_SEGMENTS });
            }
        }
    }
}

impl<'a> Iterator for Commands<'a> {
    type Item = Result<Command<'a>, DrawingError>;

    fn next(&mut self) -> Option<Self::Item> {
        if self.ended {
            return None;
        }
        let (name, at) = loop {
            let byte = self.peek()?;
            self.at += 1;
            if byte == ESC {
                self.escape();
            } else if byte.is_ascii_alphabetic() {
                // The second letter may stand behind blanks.
                let at = self.at;
                while self.peek().is_some_and(|b| b.is_ascii_whitespace()) {
                    self.at += 1;
                }
                let second = self.peek()?;
                if second.is_ascii_alphabetic() {
                    self.at += 1;
                    break ([byte, second].map(|b| b.to_ascii_uppercase()), at);
                }
            }
        };
        let mut command = Command { name, numbers: Vec::new(), text: &[], at };
        match &name {
            b"LB" | b"BL" | b"WD" => {
                let end = self.label_end;
                command.text = self.until(|b| b == end);
            }
            b"DT" => match self.peek() {
                Some(b';') | None => self.label_end = ETX,
                Some(end) => {
                    self.label_end = end;
                    self.at += 1;
                    self.until(|b| b == b';' || b.is_ascii_alphabetic());
                    self.at -= usize::from(self.bytes.get(self.at - 1).is_some_and(u8::is_ascii_alphabetic));
                }
            },
            b"SM" => {
                if self.peek().is_some_and(|b| b != b';') {
                    self.at += 1;
                }
            }
            b"CO" => {
                self.until(|b| b == b'"' || b == b';' || b == b'\n');
                if self.bytes.get(self.at - 1) == Some(&b'"') {
                    self.until(|b| b == b'"');
                }
            }
            b"PE" => command.text = self.until(|b| b == b';'),
            _ => match self.numbers() {
                Ok(numbers) => command.numbers = numbers,
                Err(error) => {
                    self.ended = true;
                    return Some(Err(error));
                }
            },
        }
        Some(Ok(command))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn all(text: &str) -> Vec<(String, Vec<f64>, String)> {
        Commands::new(text.as_bytes())
            .map(|c| c.unwrap())
            .map(|c| {
                let text = |b: &[u8]| String::from_utf8_lossy(b).into_owned();
                (text(&c.name), c.numbers, text(c.text))
            })
            .collect()
    }

    fn plain(text: &str) -> Vec<(String, Vec<f64>)> {
        all(text).into_iter().map(|(name, numbers, _)| (name, numbers)).collect()
    }

    #[test]
    fn however_commands_are_set_apart_they_are_read() {
        let want = vec![
            ("IN".to_owned(), vec![]),
            ("PU".to_owned(), vec![10.0, -20.5]),
            ("PD".to_owned(), vec![0.5, 3.0]),
            ("SP".to_owned(), vec![1.0]),
        ];
        for text in [
            "IN;PU10,-20.5;PD.5,3;SP1;",
            "IN PU 10 -20.5 PD .5 +3 SP 1",
            "inpu10-20.5pd.5,3sp1",
            "IN;\r\nP U10,\n-20.5;PD:\0.5,3;;SP1",
        ] {
            assert_eq!(plain(text).len(), 4, "{text:?}");
        }
        assert_eq!(plain("IN;PU10,-20.5;PD.5,3;SP1;"), want);
        assert_eq!(plain("inpu10-20.5pd.5,3sp1"), want);
    }

    #[test]
    fn labels_end_where_they_should() {
        let want = [("LB", "Hi; PU0,0"), ("PU", ""), ("DT", ""), ("LB", "a;b"), ("DT", ""), ("LB", "x"), ("PD", "")];
        let got = all("LBHi; PU0,0\x03PUDT*;LBa;b*DT;LBx\x03PD1,1");
        let got: Vec<(&str, &str)> = got.iter().map(|(n, _, t)| (n.as_str(), t.as_str())).collect();
        assert_eq!(got, want);
    }

    #[test]
    fn what_is_meant_for_a_printer_is_passed_over() {
        let text = "\x1b%-12345X@PJL SET COPIES=1\r\n@PJL ENTER LANGUAGE=HPGL2\r\n\x1bE\x1b&l0O\x1b.I81;;17:\x1b.(\x1b%1BIN;SP2;\x1b%0A\x1bE";
        assert_eq!(plain(text), [("IN".to_owned(), vec![]), ("SP".to_owned(), vec![2.0])]);
    }

    #[test]
    fn a_number_with_two_points_is_named() {
        let found: Result<Vec<_>, _> = Commands::new(b"IN;PU1.2.3,4;").collect();
        assert_eq!(found, Err(DrawingError::NotANumber { at: 6 }));
    }
}
