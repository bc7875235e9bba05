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
    // What no shop file could store.
    let known = text("painted", 1, "{}");
    for (number, says) in [("0", "number 0"), ("9223372036854775808", "number 9223372036854775808")] {
        let refused = Event::read(known.replace("\"number\":1", &format!("\"number\":{number}")).as_bytes());
        assert!(refused.unwrap_err().to_string().contains(says));
    }
    assert!(Event::read(known.replace("\"number\":1", "\"number\":9223372036854775807").as_bytes()).is_ok());
    let touch = format!(r#"{{"kind":"piece","id":"{}","parents":[]}}"#, Uuid::from_u128(5));
    let touching =
        |touches: &str| Event::read(known.replace("[],\"body\"", &format!("[{touches}],\"body\"")).as_bytes());
    assert_eq!(touching(&touch).unwrap().things().count(), 1);
    assert!(touching(&format!("{touch},{touch}")).unwrap_err().to_string().contains("twice"));
}
