//! Unpacks streams, no further than the limits allow.

use std::borrow::Cow;
use std::io::{self, Read, Write};

use flate2::{Decompress, FlushDecompress, Status};
use hayro_syntax::Filter;
use hayro_syntax::object::{Array, Dict, Object, Stream};
use sheetloft_shapes::limits;

use crate::DrawingError;

const TOO_MUCH: DrawingError = DrawingError::TooMuchUnpacked { most: limits::DRAWING_UNPACKED_BYTES };

/// How many bytes a deflated stream comes to; none where it is damaged.
///
/// # Errors
/// Where there are more than `most`.
pub(super) fn size(data: &[u8], most: usize) -> Result<Option<usize>, DrawingError> {
    let mut size = 0;
    Ok(inflate(data, |chunk| {
        size += chunk.len();
        size <= most
    })?
    .then_some(size))
}

/// Inflates a stream, with or without the header of zlib. Gives whether it came to its end; `out` takes what comes and
/// says whether to go on.
fn inflate(data: &[u8], mut out: impl FnMut(&[u8]) -> bool) -> Result<bool, DrawingError> {
    let is_zlib =
        matches!(data, [cmf, flags, ..] if cmf & 15 == 8 && (u16::from(*cmf) << 8 | u16::from(*flags)) % 31 == 0);
    // The checksum at the end is none of our business, so the header is passed over here.
    let mut rest = if is_zlib { &data[2..] } else { data };
    let mut inflater = Decompress::new(false);
    let mut buffer = vec![0; 64 << 10];
    loop {
        let (taken, given) = (inflater.total_in(), inflater.total_out());
        let status = inflater.decompress(rest, &mut buffer, FlushDecompress::None);
        rest = &rest[(inflater.total_in() - taken) as usize..];
        let came = (inflater.total_out() - given) as usize;
        if !out(&buffer[..came]) {
            return Err(TOO_MUCH);
        }
        match status {
            Ok(Status::StreamEnd) => return Ok(true),
            Ok(_) if came > 0 || !rest.is_empty() && inflater.total_in() > taken => {}
            _ => return Ok(false),
        }
    }
}

/// Takes bytes up to a limit.
struct Bounded {
    bytes: Vec<u8>,
    most: usize,
}

impl Write for Bounded {
    fn write(&mut self, chunk: &[u8]) -> io::Result<usize> {
        if self.bytes.len() + chunk.len() > self.most {
            return Err(io::ErrorKind::FileTooLarge.into());
        }
        self.bytes.extend_from_slice(chunk);
        Ok(chunk.len())
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

/// The bytes of a stream as they are meant, as far as it is whole.
///
/// # Errors
/// Where there are more than `most`, also on the way; where it is packed in a way that is not read.
pub(super) fn stream(stream: &Stream<'_>, most: usize) -> Result<Vec<u8>, DrawingError> {
    let mut data: Cow<'_, [u8]> = stream.raw_data();
    if data.len() > most {
        return Err(TOO_MUCH);
    }
    for (i, filter) in stream.filters().into_iter().enumerate() {
        let mut out = Bounded { bytes: Vec::new(), most };
        match filter {
            Filter::FlateDecode => {
                inflate(&data, |chunk| out.write_all(chunk).is_ok())?;
            }
            Filter::LzwDecode => lzw(&data, early_change(stream.dict(), i), &mut out)?,
            Filter::RunLengthDecode => run_length(&data, &mut out).map_err(|_| TOO_MUCH)?,
            Filter::Ascii85Decode => out.bytes = ascii85(&data),
            Filter::AsciiHexDecode => out.bytes = hex(&data),
            other => {
                return Err(DrawingError::Unreadable { why: format!("what is drawn is packed as {other:?}") });
            }
        }
        if out.bytes.len() > most {
            return Err(TOO_MUCH);
        }
        data = Cow::Owned(out.bytes);
    }
    if has_predictor(stream.dict()) {
        // How much it comes to is known by now.
        return match stream.decoded_data() {
            Ok(data) => Ok(data.into_owned()),
            Err(_) => Ok(Vec::new()),
        };
    }
    Ok(data.into_owned())
}

/// The parameters of a stream's filters.
fn parameters<'a>(dict: &Dict<'a>) -> Vec<Option<Dict<'a>>> {
    match dict.get::<Object<'_>>("DecodeParms").or_else(|| dict.get::<Object<'_>>("DP")) {
        Some(Object::Dict(dict)) => vec![Some(dict)],
        Some(Object::Array(array)) => {
            let array: Array<'_> = array;
            array.iter::<Object<'_>>().map(Object::into_dict).collect()
        }
        _ => Vec::new(),
    }
}

fn has_predictor(dict: &Dict<'_>) -> bool {
    parameters(dict).iter().flatten().any(|p| p.get::<i32>("Predictor").is_some_and(|p| p > 1))
}

fn early_change(dict: &Dict<'_>, filter: usize) -> bool {
    let parameters = parameters(dict);
    parameters.get(filter).and_then(Option::as_ref).and_then(|p| p.get::<i32>("EarlyChange")) != Some(0)
}

fn lzw(data: &[u8], early_change: bool, out: &mut Bounded) -> Result<(), DrawingError> {
    let order = weezl::BitOrder::Msb;
    let mut decoder = if early_change {
        weezl::decode::Decoder::with_tiff_size_switch(order, 8)
    } else {
        weezl::decode::Decoder::new(order, 8)
    };
    let done = decoder.into_stream(&mut *out).decode_all(data);
    match done.status {
        Err(e) if e.kind() == io::ErrorKind::FileTooLarge => Err(TOO_MUCH),
        // Damaged or cut short: what came before is whole.
        _ => Ok(()),
    }
}

fn run_length(data: &[u8], out: &mut Bounded) -> io::Result<()> {
    let mut rest = data;
    while let Some((&n, after)) = rest.split_first() {
        match n {
            0..=127 => {
                let count = (usize::from(n) + 1).min(after.len());
                out.write_all(&after[..count])?;
                rest = &after[count..];
            }
            128 => break,
            129.. => {
                let Some((&byte, after)) = after.split_first() else { break };
                io::copy(&mut io::repeat(byte).take(257 - u64::from(n)), out)?;
                rest = after;
            }
        }
    }
    Ok(())
}

fn ascii85(data: &[u8]) -> Vec<u8> {
    let mut out = Vec::with_capacity(data.len() * 4 / 5);
    let mut group = Vec::with_capacity(5);
    let put = |group: &[u8], out: &mut Vec<u8>| {
        let value =
            (0..5).fold(0u32, |v, i| v.wrapping_mul(85).wrapping_add(u32::from(group.get(i).map_or(84, |b| b - b'!'))));
        out.extend(&value.to_be_bytes()[..group.len().saturating_sub(1)]);
    };
    for &byte in data.strip_prefix(b"<~").unwrap_or(data) {
        match byte {
            b'~' => break,
            b'z' if group.is_empty() => out.extend([0; 4]),
            b'!'..=b'u' => {
                group.push(byte);
                if group.len() == 5 {
                    put(&group, &mut out);
                    group.clear();
                }
            }
            _ => {}
        }
    }
    put(&group, &mut out);
    out
}

fn hex(data: &[u8]) -> Vec<u8> {
    let mut digits: Vec<u8> =
        data.iter().take_while(|b| **b != b'>').filter_map(|b| char::from(*b).to_digit(16).map(|d| d as u8)).collect();
    if digits.len() % 2 == 1 {
        digits.push(0);
    }
    digits.chunks_exact(2).map(|d| d[0] << 4 | d[1]).collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn text_forms_are_read() {
        // ISO 32000 has no example for either; these are by the definitions.
        assert_eq!(hex(b"48 656c6C6f7>"), b"Hellop");
        assert_eq!(ascii85(b"<~87cURD]i,\"Ebo80~>"), b"Hello World!");
        assert_eq!(ascii85(b"z~>"), [0; 4]);
        let mut out = Bounded { bytes: Vec::new(), most: 100 };
        run_length(b"\x02abc\xfex\x80yz", &mut out).unwrap();
        assert_eq!(out.bytes, b"abcxxx");
        // Twice as much as allowed.
        assert!(run_length(&[129, 0].repeat(10), &mut Bounded { bytes: Vec::new(), most: 640 }).is_err());
    }

    #[test]
    fn what_is_deflated_is_measured_and_bounded() {
        let mut packer = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::best());
        packer.write_all(&vec![0; 3_000_000]).unwrap();
        let packed = packer.finish().unwrap();
        assert_eq!(size(&packed, 3_000_000), Ok(Some(3_000_000)));
        assert_eq!(size(&packed[2..], 3_000_000), Ok(Some(3_000_000)));
        assert_eq!(size(&packed, 2_999_999), Err(TOO_MUCH));
        assert_eq!(size(&packed[..packed.len() / 2], 3_000_000), Ok(None));
        assert_eq!(size(b"nonsense", 100), Ok(None));
    }
}
