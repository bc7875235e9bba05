//! Test vectors: the stored form of an event never changes.

use sheetloft_ledger::body::{Body, Moved};
use sheetloft_ledger::event::{Clock, Envelope, Event, Hash, Thing, ThingKind, Touch};
use uuid::Uuid;

#[test]
fn the_stored_form_is_fixed() {
    let piece = Uuid::from_u128(0x11);
    let envelope = Envelope {
        shop: Uuid::from_u128(1),
        device: Uuid::from_u128(2),
        number: 7,
        prev: Some(Hash([0xab; 32])),
        id: Uuid::from_u128(3),
        action: Uuid::from_u128(4),
        more: false,
        clock: Clock { ms: 1_700_000_000_000, count: 2 },
        person: None,
        kind: "moved".into(),
        version: 1,
        touches: vec![Touch { thing: Thing::new(ThingKind::Piece, piece), parents: vec![Hash([0xcd; 32])] }],
    };
    let (bytes, event) = Event::write(envelope, Body::Moved(Moved { piece, rack: None })).unwrap();
    insta::assert_snapshot!(format!("{}\n{}", String::from_utf8(bytes.clone()).unwrap(), event.hash));
    assert_eq!(Event::read(&bytes).unwrap(), event);
}

#[test]
fn an_unknown_kind_is_read_without_its_body_and_rubbish_is_refused() {
    let text = |kind: &str, version: u32, body: &str| {
        format!(
            r#"{{"shop":"{0}","device":"{0}","number":1,"prev":null,"id":"{0}","action":"{0}","clock":[0,0],"kind":"{kind}","version":{version},"touches":[],"body":{body}}}"#,
            Uuid::nil()
        )
    };
    let unknown = Event::read(text("painted", 1, r#"{"colour":"red"}"#).as_bytes()).unwrap();
    assert!(unknown.body.is_none());
    let newer = Event::read(text("moved", 2, "{}").as_bytes()).unwrap();
    assert!(newer.body.is_none());
    assert!(Event::read(text("moved", 1, "{}").as_bytes()).is_err());
    assert!(Event::read(b"").is_err());
    assert!(Event::read(b"[]").is_err());
}
