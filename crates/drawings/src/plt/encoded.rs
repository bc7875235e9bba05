//! The strokes of PE, "polyline encoded": numbers in base 64 or 32, lowest digit first (PCL 5 Technical Reference,
//! chapter 20).

/// What an encoded command says.
#[derive(Clone, Copy, PartialEq, Debug)]
pub(super) enum Order {
    /// Takes a pen.
    Pen(u32),
    /// Goes to or by a point.
    Go {
        /// The point, in user units.
        to: [f64; 2],
        /// With the pen lifted.
        up: bool,
        /// To the point itself, not by it.
        absolute: bool,
    },
}

/// Reads the text of one PE. What makes no sense ends it.
pub(super) fn orders(text: &[u8]) -> Vec<Order> {
    let mut reader = Reader { bytes: text, at: 0, seven_bits: false };
    let mut orders = Vec::new();
    let (mut up, mut absolute, mut fraction) = (false, false, 0);
    while let Some(byte) = reader.peek() {
        match byte {
            b'<' => up = true,
            b'=' => absolute = true,
            b'7' => reader.seven_bits = true,
            b':' | b'>' => {
                reader.at += 1;
                let Some(number) = reader.number() else { break };
                if byte == b':' {
                    orders.push(Order::Pen(number.clamp(0, 9999) as u32));
                } else {
                    fraction = number.clamp(-30, 30) as i32;
                }
                continue;
            }
            // Blanks and the like are passed over; in base 64 so is the eighth bit of them.
            byte if byte & 0x7f <= b' ' => {}
            _ => {
                let (Some(x), Some(y)) = (reader.number(), reader.number()) else { break };
                let to = [x, y].map(|v| v as f64 / libm::exp2(f64::from(fraction)));
                orders.push(Order::Go { to, up, absolute });
                (up, absolute) = (false, false);
                continue;
            }
        }
        reader.at += 1;
    }
    orders
}

struct Reader<'a> {
    bytes: &'a [u8],
    at: usize,
    seven_bits: bool,
}

impl Reader<'_> {
    fn peek(&self) -> Option<u8> {
        self.bytes.get(self.at).copied()
    }

    /// A number: digits up to one that ends it. Its lowest bit is the sign.
    fn number(&mut self) -> Option<i64> {
        let (mut value, mut shift) = (0i64, 0u32);
        loop {
            let byte = self.peek()?;
            self.at += 1;
            let (digit, ends, bits) = match (byte, self.seven_bits) {
                (63..=126, false) => (byte - 63, false, 6),
                (191..=254, false) => (byte - 191, true, 6),
                (63..=94, true) => (byte - 63, false, 5),
                (95..=126, true) => (byte - 95, true, 5),
                (byte, _) if byte & 0x7f <= b' ' => continue,
                _ => return None,
            };
            if shift > 50 {
                return None;
            }
            value |= i64::from(digit) << shift;
            shift += bits;
            if ends {
                let size = value >> 1;
                return Some(if value & 1 == 1 { -size } else { size });
            }
        }
    }
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// A number as it is written, by the rule of the reference: twice the size, plus 1 below 0, lowest digit first.
    pub(in super::super) fn written(value: i64, seven_bits: bool) -> Vec<u8> {
        let mut rest = (value.unsigned_abs() << 1) | u64::from(value < 0);
        let base = if seven_bits { 32 } else { 64 };
        let mut out = Vec::new();
        while rest >= base {
            out.push(63 + (rest % base) as u8);
            rest /= base;
        }
        out.push(rest as u8 + if seven_bits { 95 } else { 191 });
        out
    }

    #[test]
    fn numbers_of_both_bases_are_read_back() {
        for seven_bits in [false, true] {
            for value in [0, 1, -1, 15, -16, 31, 32, 63, -64, 1000, -1_000_000, 123_456_789] {
                let text = written(value, seven_bits);
                let mut reader = Reader { bytes: &text, at: 0, seven_bits };
                assert_eq!(reader.number(), Some(value), "{value} {seven_bits}");
            }
        }
    }

    #[test]
    fn flags_hold_for_one_pair_and_fractions_for_all() {
        let mut text = b":".to_vec();
        text.extend(written(3, false));
        text.extend(b"<=");
        text.extend(written(100, false));
        text.extend(written(-50, false));
        text.extend(b"\r\n>");
        text.extend(written(2, false));
        text.extend(written(10, false));
        text.extend(written(-6, false));
        assert_eq!(
            orders(&text),
            [
                Order::Pen(3),
                Order::Go { to: [100.0, -50.0], up: true, absolute: true },
                Order::Go { to: [2.5, -1.5], up: false, absolute: false },
            ]
        );
    }
}
