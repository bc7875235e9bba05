//! Small files that would become very large: an error that says what there is too much of, before it is made.

mod common;

use std::io::Write;

use flate2::Compression;
use flate2::write::{GzEncoder, ZlibEncoder};
use sheetloft_drawings::{Drawing, DrawingError, Options, read};
use sheetloft_shapes::limits;

fn svg(text: &str) -> Result<Drawing, DrawingError> {
    read("a.svg", text.as_bytes(), &Options::default())
}

fn in_svg(body: &str) -> String {
    format!(
        r#"<svg xmlns="http://www.w3.org/2000/svg" xmlns:xlink="http://www.w3.org/1999/xlink" width="9mm" height="9mm">{body}</svg>"#
    )
}

/// Ten of each level in the next.
fn tenfold(levels: usize, first: &str, again: impl Fn(usize) -> String) -> String {
    let mut out = first.to_owned();
    for level in 1..levels {
        out += &format!(r#"<g id="l{level}">{}</g>"#, again(level - 1).repeat(10));
    }
    out
}

#[test]
fn an_svg_that_uses_itself_tenfold_is_refused() {
    for href in ["xlink:href", "href"] {
        let defs = tenfold(9, r#"<rect id="l0" width="1" height="1"/>"#, |l| format!(r##"<use {href}="#l{l}"/>"##));
        let found = svg(&in_svg(&format!(r##"<defs>{defs}</defs><use {href}="#l8"/>"##)));
        assert_eq!(found, Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES }));
    }
    // By clips, masks and patterns that have clips of their own; and by a marker at each corner of a marker's path.
    for (element, property) in [("clipPath", "clip-path"), ("mask", "mask"), ("pattern", "fill")] {
        let mut defs = r#"<rect id="l0" width="1" height="1"/>"#.to_owned();
        for level in 1..9 {
            let one = format!(r##"<rect width="1" height="1" {property}="url(#l{})"/>"##, level - 1);
            defs += &format!(r#"<{element} id="l{level}" width="1" height="1">{}</{element}>"#, one.repeat(10));
        }
        let found =
            svg(&in_svg(&format!(r##"<defs>{defs}</defs><rect width="1" height="1" {property}="url(#l8)"/>"##)));
        assert_eq!(found, Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES }), "{element}");
    }
    let corners = "M0 0L9 9L0 9".repeat(5);
    let mut defs = format!(r#"<marker id="m0"><path d="{corners}"/></marker>"#);
    for level in 1..6 {
        defs += &format!(r#"<marker id="m{level}"><path d="{corners}" marker-mid="url(#m{})"/></marker>"#, level - 1);
    }
    let found = svg(&in_svg(&format!(r##"<defs>{defs}</defs><path d="{corners}" style="marker:url(#m5)"/>"##)));
    assert!(
        matches!(found, Err(DrawingError::TooManyEntities { .. } | DrawingError::TooManyCorners { .. })),
        "{found:?}"
    );
}

#[test]
fn an_svg_that_laughs_a_billion_times_is_refused() {
    let entities: String =
        (1..10).map(|l| format!(r#"<!ENTITY e{l} "{}">"#, format!("&e{};", l - 1).repeat(10))).collect();
    for of in ["ha", "<rect width='1' height='1'/>"] {
        let text = format!(
            r#"<?xml version="1.0"?><!DOCTYPE svg [<!ENTITY e0 "{of}">{entities}]>{}"#,
            in_svg("<text>&e9;</text>")
        );
        let found = svg(&text);
        assert!(found.is_err(), "{of}: {} parts", found.unwrap().parts.len());
    }
}

#[test]
fn an_svg_without_a_ground_is_refused() {
    for depth in [limits::DRAWING_ELEMENT_DEPTH + 1, 100_000] {
        let text = in_svg(&("<g>".repeat(depth) + &"</g>".repeat(depth)));
        let found = svg(&text);
        assert!(matches!(found, Err(DrawingError::TooDeep { .. } | DrawingError::BadXml { .. })), "{depth}: {found:?}");
    }
    // What stands in itself is dropped, as by any program that shows it.
    let round = r##"<g id="a"><use xlink:href="#a"/><rect width="2" height="3"/></g>"##;
    assert_eq!(svg(&in_svg(round)).unwrap().parts.len(), 1);
}

#[test]
fn what_is_packed_too_tight_is_refused() {
    let mut packer = GzEncoder::new(Vec::new(), Compression::best());
    packer.write_all(in_svg("").trim_end_matches("</svg>").as_bytes()).unwrap();
    for _ in 0..limits::FILE_BYTES / (1 << 16) + 1 {
        packer.write_all(&[b' '; 1 << 16]).unwrap();
    }
    packer.write_all(b"</svg>").unwrap();
    let packed = packer.finish().unwrap();
    assert!(packed.len() < 200_000);
    let found = read("a.svgz", &packed, &Options::default());
    assert_eq!(found, Err(DrawingError::TooMuchUnpacked { most: limits::FILE_BYTES }));
}

/// A PDF of one page with these objects, numbered from 4 on; object 4 is what the page shows, unless `page` says.
fn pdf(page: &str, objects: &[Vec<u8>]) -> Vec<u8> {
    let mut out = b"%PDF-1.5\n".to_vec();
    let mut at = Vec::new();
    let contents = if page.contains("/Contents") { "" } else { "/Contents 4 0 R" };
    let first = [
        b"<</Type/Catalog/Pages 2 0 R>>".to_vec(),
        b"<</Type/Pages/Kids[3 0 R]/Count 1>>".to_vec(),
        format!("<</Type/Page/Parent 2 0 R/MediaBox[0 0 200 200]{contents}{page}>>").into_bytes(),
    ];
    for (i, object) in first.iter().chain(objects).enumerate() {
        at.push(out.len());
        out.extend(format!("{} 0 obj\n", i + 1).bytes());
        out.extend(object);
        out.extend(b"\nendobj\n");
    }
    let start = out.len();
    out.extend(format!("xref\n0 {}\n0000000000 65535 f \n", at.len() + 1).bytes());
    at.iter().for_each(|at| out.extend(format!("{at:010} 00000 n \n").bytes()));
    out.extend(format!("trailer<</Size {}/Root 1 0 R>>\nstartxref\n{start}\n%%EOF", at.len() + 1).bytes());
    out
}

fn stream(dict: &str, data: &[u8]) -> Vec<u8> {
    let mut out = format!("<<{dict}/Length {}>>stream\n", data.len()).into_bytes();
    out.extend(data);
    out.extend(b"\nendstream");
    out
}

fn deflated(data: &[u8]) -> Vec<u8> {
    let mut packer = ZlibEncoder::new(Vec::new(), Compression::best());
    packer.write_all(data).unwrap();
    packer.finish().unwrap()
}

fn read_pdf(bytes: &[u8]) -> Result<Drawing, DrawingError> {
    read("a.pdf", bytes, &Options::default())
}

#[test]
fn the_pdf_itself_is_sound() {
    let drawing = read_pdf(&pdf("", &[stream("", b"10 10 72 72 re S")])).unwrap();
    assert!((common::only(&drawing).area_mm2 - 25.4 * 25.4).abs() < 1e-3);
}

#[test]
fn a_pdf_that_unpacks_without_end_is_refused() {
    let blanks = deflated(&vec![b' '; 64 << 20]);
    let once = pdf("", &[stream("/Filter[/FlateDecode/FlateDecode]", &deflated(&blanks))]);
    assert!(once.len() < 10_000 && read_pdf(&once).is_ok_and(|d| d.parts.is_empty()), "within bounds it is read");
    let parts: Vec<Vec<u8>> = (0..5).map(|_| stream("/Filter/FlateDecode", &blanks)).collect();
    let names: String = (4..9).map(|n| format!("{n} 0 R ")).collect();
    let found = read_pdf(&pdf(&format!("/Contents[{names}]"), &parts));
    assert_eq!(found, Err(DrawingError::TooMuchUnpacked { most: limits::DRAWING_UNPACKED_BYTES }));
}

#[test]
fn a_pdf_whose_forms_paint_forms_tenfold_is_refused() {
    let forms = 9;
    let mut objects = vec![stream("", b"/F Do")];
    for n in 0..forms {
        let next = format!("/Resources<</XObject<</F {} 0 R>>>>", 6 + n);
        let body = if n + 1 < forms { b"/F Do ".repeat(10) } else { b"1 1 5 5 re S ".to_vec() };
        objects.push(stream(&format!("/Subtype/Form/BBox[0 0 99 99]{next}"), &body));
    }
    let found = read_pdf(&pdf("/Resources<</XObject<</F 5 0 R>>>>", &objects));
    assert_eq!(found, Err(DrawingError::TooManyEntities { most: limits::DRAWING_ENTITIES }));
    // One that paints itself.
    let objects = [stream("", b"/F Do"), stream("/Subtype/Form/BBox[0 0 99 99]", b"/F Do")];
    let found = read_pdf(&pdf("/Resources<</XObject<</F 5 0 R>>>>", &objects));
    assert_eq!(found, Err(DrawingError::TooDeep { block: "F".to_owned(), most: limits::DRAWING_DEPTH }));
}

#[test]
fn a_pdf_nested_without_end_is_refused_or_read() {
    for deep in ["[".repeat(100_000), "<<".repeat(100_000), "<</A".repeat(100_000)] {
        let found = read_pdf(&pdf("", &[deep.clone().into_bytes(), stream("", b"")]));
        assert!(found.is_err() || found.is_ok_and(|d| d.parts.is_empty()));
        let found = read_pdf(&pdf("", &[stream("", deep.as_bytes())]));
        assert!(found.is_err() || found.is_ok_and(|d| d.parts.is_empty()));
    }
    let states = "q ".repeat(100_000);
    assert!(matches!(read_pdf(&pdf("", &[stream("", states.as_bytes())])), Err(DrawingError::TooDeep { .. })));
}
