//! What TEXT, ATTRIB and MTEXT say, without their formatting.

/// The plain words of a TEXT or ATTRIB: `%%c` and its like are signs or switches.
pub(super) fn of_text(text: &str) -> String {
    let mut out = String::new();
    let mut rest = text;
    while let Some(at) = rest.find("%%") {
        out.push_str(&rest[..at]);
        let mut after = rest[at + 2..].chars();
        match after.next() {
            Some('c' | 'C') => out.push('⌀'),
            Some('d' | 'D') => out.push('°'),
            Some('p' | 'P') => out.push('±'),
            Some('%') => out.push('%'),
            // Lines over, under and through.
            Some('o' | 'O' | 'u' | 'U' | 'k' | 'K') | None => {}
            Some(other) => {
                out.push_str("%%");
                out.push(other);
            }
        }
        rest = after.as_str();
    }
    out.push_str(rest);
    out
}

/// The plain words of an MTEXT, by the format codes that the DXF reference lists.
pub(super) fn of_mtext(text: &str) -> String {
    let mut out = String::new();
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '{' | '}' => {}
            '\\' => match chars.next() {
                Some('P' | 'X' | 'N' | '~') => out.push(' '),
                Some(c @ ('\\' | '{' | '}')) => out.push(c),
                // Up to a semicolon: alignment, colour, typeface, height, spacing, slant, width, paragraph.
                Some('A' | 'C' | 'c' | 'F' | 'f' | 'H' | 'T' | 'Q' | 'W' | 'p') => {
                    chars.by_ref().find(|c| *c == ';');
                }
                Some('S') => {
                    out.extend(chars.by_ref().take_while(|c| *c != ';').map(|c| if c == '^' { ' ' } else { c }))
                }
                _ => {}
            },
            '^' => {
                // A control character; a space stands for the caret itself.
                out.push(if chars.next() == Some(' ') { '^' } else { ' ' });
            }
            c => out.push(c),
        }
    }
    of_text(&out)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn words_are_freed_of_their_format() {
        assert_eq!(of_text("%%uLid%%u %%c12 %%p0.1 50%%%"), "Lid ⌀12 ±0.1 50%");
        assert_eq!(
            of_mtext(r"{\fArial|b0|i0;Left} \A1;side\P\H2.5x;part \S1/2; \\ \{x\}"),
            r"Left side part 1/2 \ {x}"
        );
        for odd in ["\\", "%%", "^", "{\\f", "\\S1", "%%z"] {
            let _ = (of_text(odd), of_mtext(odd));
        }
    }
}
