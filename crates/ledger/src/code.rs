//! Codes on labels: device tag, running number, check character. Given without asking anyone.
//!
//! `7K-004TK` is tag `7K`, number `004T`, check `K`. Orders and plans carry `O-` and `P-` before it.
//! Digits are Crockford's base 32 (no I, L, O, U); the check character is ISO 7064 MOD 37,36 over tag and
//! number, and numbers whose check would be one of those letters are skipped.

use std::fmt;

/// What kind of thing a code names.
#[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Debug)]
pub enum Noun {
    /// A sheet or offcut: no prefix.
    Piece,
    /// An order: `O-`.
    Order,
    /// A plan: `P-`.
    Plan,
}

/// Why a text is not a code.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum CodeError {
    #[error("'{text}' is not a code")]
    NotACode { text: String },
    #[error("the check character of '{text}' is wrong")]
    WrongCheck { text: String },
}

const DIGITS: &[u8; 32] = b"0123456789ABCDEFGHJKMNPQRSTVWXYZ";
const ALNUM: &[u8; 36] = b"0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ";

/// The ISO 7064 MOD 37,36 check character of a text of digits and capital letters; `None` for other text.
pub fn check_character(text: &str) -> Option<char> {
    let mut product = 36_u32;
    for byte in text.bytes() {
        let value = ALNUM.iter().position(|&d| d == byte)?;
        let mut sum = (product + u32::try_from(value).ok()?) % 36;
        if sum == 0 {
            sum = 36;
        }
        product = sum * 2 % 37;
    }
    let check = (37 - product) % 36;
    Some(char::from(ALNUM[check as usize]))
}

/// A device tag from any number: two characters.
pub fn tag(seed: u32) -> String {
    let n = seed as usize;
    [DIGITS[n / 32 % 32], DIGITS[n % 32]].into_iter().map(char::from).collect()
}

/// The code for running number `number` of a device, or `None` where that number is skipped because its
/// check character would be misread (I, L, O, U).
pub fn make(noun: Noun, tag: &str, number: u64) -> Option<String> {
    let mut digits = Vec::new();
    let mut rest = number;
    while rest > 0 || digits.len() < 4 {
        digits.push(char::from(DIGITS[(rest % 32) as usize]));
        rest /= 32;
    }
    let number: String = digits.into_iter().rev().collect();
    let check = check_character(&format!("{tag}{number}"))?;
    if matches!(check, 'I' | 'L' | 'O' | 'U') {
        return None;
    }
    Some(format!("{noun}{tag}-{number}{check}"))
}

/// The first code at or after running number `from`, and the number that it used.
pub fn next(noun: Noun, tag: &str, from: u64) -> (String, u64) {
    let mut number = from;
    loop {
        if let Some(code) = make(noun, tag, number) {
            return (code, number);
        }
        number += 1;
    }
}

/// Reads a typed or scanned code in any letter case, with I and L read as 1 and O as 0, and returns it as
/// printed, with what it names. The check character must be right.
pub fn parse(text: &str) -> Result<(Noun, String), CodeError> {
    let shown: String = text.trim().chars().take(40).collect();
    let not = || CodeError::NotACode { text: shown.clone() };
    let upper = shown.to_ascii_uppercase();
    let (noun, rest) = match upper.split_once('-') {
        Some(("O" | "0", rest)) if rest.contains('-') => (Noun::Order, rest),
        Some(("P", rest)) if rest.contains('-') => (Noun::Plan, rest),
        _ => (Noun::Piece, upper.as_str()),
    };
    let (tag, number) = rest.split_once('-').ok_or_else(not)?;
    if tag.len() != 2 || !(5..=14).contains(&number.len()) {
        return Err(not());
    }
    let plain = |s: &str| -> Option<String> {
        s.chars()
            .map(|c| match c {
                'I' | 'L' => '1',
                'O' => '0',
                c => c,
            })
            .map(|c| (c.is_ascii() && DIGITS.contains(&(c as u8))).then_some(c))
            .collect()
    };
    let tag = plain(tag).ok_or_else(not)?;
    let number = plain(number).ok_or_else(not)?;
    let (digits, check) = number.split_at(number.len() - 1);
    if check_character(&format!("{tag}{digits}")).map(String::from).as_deref() != Some(check) {
        return Err(CodeError::WrongCheck { text: shown });
    }
    Ok((noun, format!("{noun}{tag}-{number}")))
}

/// The running number inside a code, if the code is one of this device's for this noun.
pub fn number_of(code: &str, noun: Noun, tag: &str) -> Option<u64> {
    let digits = code.strip_prefix(&format!("{noun}{tag}-"))?;
    let digits = digits.get(..digits.len().checked_sub(1)?)?;
    digits.bytes().try_fold(0_u64, |n, byte| {
        let value = DIGITS.iter().position(|&d| d == byte)?;
        n.checked_mul(32)?.checked_add(value as u64)
    })
}

impl fmt::Display for Noun {
    /// The prefix of the noun's codes.
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Noun::Piece => "",
            Noun::Order => "O-",
            Noun::Plan => "P-",
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn agrees_with_published_check_characters() {
        // Source: python-stdnum's documentation of iso7064.mod_37_36 and of GRid, from memory:
        // 'A12425GABC1234002' takes the check character 'M'.
        assert_eq!(check_character("A12425GABC1234002"), Some('M'));
    }

    #[test]
    fn codes_look_as_promised() {
        let (code, number) = next(Noun::Piece, "7K", 154);
        assert_eq!(number_of(&code, Noun::Piece, "7K"), Some(number));
        assert!(code.starts_with("7K-004") && code.len() == 8, "{code}");
        assert_eq!(parse(&code.to_lowercase()), Ok((Noun::Piece, code)));
        let (order, _) = next(Noun::Order, "7K", 1);
        assert_eq!(parse(&order), Ok((Noun::Order, order)));
    }

    #[test]
    fn refuses_what_is_not_a_code() {
        for text in ["", "-", "7K", "7K-", "hello", "7K-00!4", "X-7K-00011", "7K-000000000000000000000", "ä-ß"] {
            assert!(parse(text).is_err(), "{text}");
        }
    }

    proptest! {
        #[test]
        fn one_wrong_character_is_caught(number in 0u64..3_000_000, at in 0usize..4, other in 0usize..32) {
            let (code, _) = next(Noun::Piece, "7K", number);
            let mut bytes = code.clone().into_bytes();
            let at = 3 + at;
            if bytes[at] != DIGITS[other] {
                bytes[at] = DIGITS[other];
                let wrong = String::from_utf8(bytes).unwrap();
                prop_assert!(parse(&wrong).is_err());
            }
        }

        #[test]
        fn every_text_is_read_or_refused(text in "\\PC{0,24}") {
            let _ = parse(&text);
        }
    }
}
