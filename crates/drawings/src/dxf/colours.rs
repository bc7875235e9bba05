//! The numbers that DXF has for colours.

use crate::Colour;

/// How an entity says its colour.
#[derive(Clone, Copy, PartialEq, Eq, Default, Debug)]
pub(super) enum Ink {
    /// As its layer.
    #[default]
    ByLayer,
    /// As the insert of the block that it stands in.
    ByBlock,
    /// Its own.
    Is(Colour),
}

impl Ink {
    /// From the value of group code 62.
    pub(super) fn of_number(number: i64) -> Self {
        match number {
            0 => Self::ByBlock,
            256 | 257 => Self::ByLayer,
            n => colour(n.unsigned_abs()).map_or(Self::ByLayer, Self::Is),
        }
    }

    /// From the value of group code 420: red, green and blue, a byte each.
    pub(super) fn of_rgb(value: i64) -> Self {
        let [_, r, g, b] = (value as u32).to_be_bytes();
        Self::Is(Colour([r, g, b]))
    }
}

/// The colour of a number from 1 to 255 (the index of the DXF reference). From 10 on: the tens are the hue, in steps of 15°,
/// the ones how dark it is, the odd ones being half as strong. 7 is black on paper.
pub(super) fn colour(number: u64) -> Option<Colour> {
    const FIRST: [u32; 10] = [0, 0xff0000, 0xffff00, 0x00ff00, 0x00ffff, 0x0000ff, 0xff00ff, 0, 0x808080, 0xc0c0c0];
    const LAST: [u32; 6] = [0x333333, 0x505050, 0x696969, 0x828282, 0xbebebe, 0xffffff];
    const BRIGHT: [f64; 5] = [255.0, 165.0, 127.0, 76.0, 38.0];
    let rgb = |v: u32| {
        let [_, r, g, b] = v.to_be_bytes();
        Some(Colour([r, g, b]))
    };
    match number {
        1..=9 => rgb(FIRST[number as usize]),
        10..=249 => {
            let hue = (number / 10 - 1) as f64 * 0.25;
            let bright = BRIGHT[(number % 10 / 2) as usize];
            Some(Colour([5.0, 3.0, 1.0].map(|n| {
                let k = (n + hue) % 6.0;
                let share = 1.0 - k.min(4.0 - k).clamp(0.0, 1.0);
                let share = if number % 2 == 1 { 0.5 + share / 2.0 } else { share };
                (bright * share) as u8
            })))
        }
        250..=255 => rgb(LAST[(number - 250) as usize]),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Rows of the table that ezdxf 1.4 has (`ezdxf.colors.DXF_DEFAULT_COLORS`).
    #[test]
    fn numbers_have_the_colours_of_the_table() {
        for (number, text) in [
            (1, "#ff0000"),
            (5, "#0000ff"),
            (10, "#ff0000"),
            (11, "#ff7f7f"),
            (13, "#a55252"),
            (18, "#260000"),
            (20, "#ff3f00"),
            (21, "#ff9f7f"),
            (25, "#7f4f3f"),
            (90, "#00ff00"),
            (132, "#00a5a5"),
            (170, "#0000ff"),
            (246, "#4c0013"),
            (255, "#ffffff"),
        ] {
            assert_eq!(colour(number).map(|c| c.to_string()).as_deref(), Some(text), "{number}");
        }
        assert_eq!((colour(0), colour(256)), (None, None));
        assert_eq!(Ink::of_number(-3), Ink::of_number(3));
        assert_eq!(Ink::of_rgb(0x12_34_56), Ink::Is(Colour([0x12, 0x34, 0x56])));
    }
}
