#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;

fn cameras() -> Vec<CameraId> {
    ["north", "south"].iter().map(|name| CameraId::new(name).unwrap()).collect()
}

fn refused(line: &str) -> (u16, String) {
    let problem = parse(line.as_bytes(), &cameras()).unwrap_err();
    (problem.status, problem.detail)
}

#[test]
fn each_verb_is_read_with_its_arguments() {
    let read = |line: &str| parse(line.as_bytes(), &cameras()).unwrap();
    assert_eq!(read(r#"{"do":"place.list"}"#), Ask { by: String::new(), verb: Verb::PlaceList });
    assert_eq!(read(r#"{"do":"status","by":"T. Wray","args":{}}"#).verb, Verb::Status);
    let ask = read(
        r#"{"do":"place.set","by":" T. Wray ","args":{"camera":"north","road":"Quernstone Road","direction":"northbound"}}"#,
    );
    assert_eq!(ask.by, "T. Wray");
    let line = ("Quernstone Road".to_owned(), String::new(), "northbound".to_owned());
    let camera = CameraId::new("north").unwrap();
    assert_eq!(ask.verb, Verb::PlaceSet { camera, road: line.0, cross_street: line.1, direction: line.2 });
    assert_eq!(read(r#"{"do":"place.confirm","by":"x"}"#).verb, Verb::PlaceConfirm { camera: None, meant: None });
    let from_afar = r#"{"do":"place.confirm","by":"x","args":{"camera":"north","site":4,"line":"Quernstone Road"}}"#;
    let meant = Some(LineMeant { site: SiteId(4), line: "Quernstone Road".to_owned() });
    assert_eq!(read(from_afar).verb, Verb::PlaceConfirm { camera: Some(CameraId::new("north").unwrap()), meant });
    assert_eq!(
        read(r#"{"do":"tow.begin","by":"x","args":{"for_s":10800,"reason":"to the yard"}}"#).verb,
        Verb::TowBegin { for_s: 10_800, extend: false, reason: "to the yard".to_owned() }
    );
    assert_eq!(read(r#"{"do":"tow.end","by":"x"}"#).verb, Verb::TowEnd);
    assert_eq!(read(r#"{"do":"tow.status"}"#).verb, Verb::TowStatus);
    assert_eq!(read(r#"{"do":"ready.status"}"#).verb, Verb::ReadyStatus);
    let tick = read(r#"{"do":"ready.tick","by":"x","args":{"tick":"mast"}}"#).verb;
    assert_eq!(tick, Verb::ReadyTick { tick: Tick::Mast, undo: false });
    let refused_tick = refused(r#"{"do":"ready.tick","by":"x","args":{"tick":"msat"}}"#).1;
    assert_eq!(refused_tick, "there is nothing of that name to tick; did you mean mast?");
}

#[test]
fn verbs_of_the_queue_are_read_and_who_wants_plates_gives_a_name() {
    let read = |line: &str| parse(line.as_bytes(), &cameras()).unwrap().verb;
    assert_eq!(read(r#"{"do":"queue.list"}"#), Verb::QueueList { reveal: false });
    let reveal = r#"{"do":"queue.list","args":{"reveal":true}"#;
    assert_eq!(read(&format!(r#"{reveal},"by":"T. Wray"}}"#)), Verb::QueueList { reveal: true });
    assert_eq!(refused(&format!("{reveal}}}")).1, "`by` is missing; send a text of 1 to 80 characters");
    assert_eq!(read(r#"{"do":"queue.retry","by":"x"}"#), Verb::QueueRetry { sequence: None });
    let drop = read(r#"{"do":"queue.drop","by":"x","args":{"sequence":17,"why":"a test read"}}"#);
    assert_eq!(drop, Verb::QueueDrop { sequence: 17, why: "a test read".to_owned() });
    for bad in ["0", "1.5", "-1", "1e300", "\"17\""] {
        let line = format!(r#"{{"do":"queue.retry","by":"x","args":{{"sequence":{bad}}}}}"#);
        assert_eq!(refused(&line).1, "`args.sequence` is no number of an event; `queue.list` shows them", "{bad}");
    }
    let no_why = refused(r#"{"do":"queue.drop","by":"x","args":{"sequence":17}}"#);
    assert_eq!(no_why, (422, "`args.why` is missing; send a text of 1 to 160 characters".to_owned()));
}

#[test]
fn a_hold_is_read_and_each_fault_of_it_is_told() {
    let read = |line: &str| parse(line.as_bytes(), &cameras()).unwrap().verb;
    let window = r#""from":"2026-11-25T12:00:00Z","to":"2026-11-25T13:00:00+01:00""#;
    let add = read(&format!(
        r#"{{"do":"hold.add","by":"T. Wray","args":{{"camera":"north",{window},"case":"case 17","for_s":86400}}}}"#
    ));
    let Verb::Hold(HoldChange::Add(asked)) = &add else { unreachable!("{add:?}") };
    assert_eq!((asked.from, asked.site, asked.for_s), (asked.to, None, 86_400));
    assert_eq!((add.word(), asked.by.as_str(), asked.case.as_str()), ("hold.add", "T. Wray", "case 17"));
    assert_eq!(
        read(r#"{"do":"hold.renew","by":"x","args":{"hold":3,"for_s":60}}"#),
        Verb::Hold(HoldChange::Renew { number: 3, for_s: 60, by: "x".to_owned() })
    );
    assert_eq!(read(r#"{"do":"hold.list"}"#), Verb::HoldList);
    assert_eq!(
        refused(r#"{"do":"hold.end","args":{"hold":1}}"#).1,
        "`by` is missing; send a text of 1 to 80 characters"
    );
    for (args, detail) in [
        (
            format!(r#""camera":"north",{window},"for_s":60"#),
            "`args.case` is missing; send a text of 1 to 200 characters",
        ),
        (
            format!(r#""camera":"north",{window},"case":" ","for_s":60"#),
            "`args.case` is empty; send a text of 1 to 200 characters",
        ),
        (
            format!(r#""camera":"north",{window},"case":"c","for_s":31536001"#),
            "`args.for_s` must be a whole number of seconds, 1 to 31536000",
        ),
        (
            r#""place":4,"from":"2026-11-25T12:00:01Z","to":"2026-11-25T12:00:00Z","case":"c","for_s":60"#.to_owned(),
            "`args.to` is before `args.from`; give the earlier time as `from`",
        ),
        (
            r#""place":4,"from":"yesterday","to":"2026-11-25T12:00:00Z","case":"c","for_s":60"#.to_owned(),
            "`args.from` must be a time with offset, like 2026-11-25T12:00:00Z",
        ),
        (format!(r#""camera":"nroth",{window},"case":"c","for_s":60"#), "there is no such camera; did you mean north?"),
        (
            format!(r#"{window},"case":"c","for_s":60"#),
            "a hold needs `args.camera` or `args.place`; `place.list` shows both",
        ),
        (
            format!(r#""place":"here",{window},"case":"c","for_s":60"#),
            "`args.place` must be a number as `place.list` shows it",
        ),
    ] {
        let line = format!(r#"{{"do":"hold.add","by":"x","args":{{{args}}}}}"#);
        assert_eq!(refused(&line), (422, detail.to_owned()), "{line}");
    }
}

#[test]
fn what_is_not_on_the_list_of_verbs_is_refused_with_the_nearest() {
    assert_eq!(
        refused(r#"{"do":"place.sett","by":"x"}"#),
        (404, "nothing is done by this name; did you mean place.set?".to_owned())
    );
    let (status, detail) = refused(r#"{"do":"reboot","by":"x"}"#);
    assert_eq!((status, detail.contains("there are place.list, place.set")), (404, true));
}

#[test]
fn each_fault_says_where_and_what_to_do() {
    for (line, status, detail) in [
        ("", 400, "this is not JSON: EOF while parsing a value at line 1 column 0"),
        ("[]", 400, "this is no JSON object; send {\"do\": …, \"by\": …, \"args\": {…}}"),
        ("{}", 422, "`do` is missing; send a text of 1 to 32 characters"),
        (r#"{"do":"place.confirm"}"#, 422, "`by` is missing; send a text of 1 to 80 characters"),
        (r#"{"do":"place.confirm","by":"  "}"#, 422, "`by` is empty; send a text of 1 to 80 characters"),
        (
            r#"{"do":"place.confirm","by":"x","args":{"camera":"north","site":4}}"#,
            422,
            "`args.line` is missing; send a text of 1 to 486 characters",
        ),
        (
            r#"{"do":"place.confirm","by":"x","args":{"camera":"north","site":-4,"line":"Quernstone Road"}}"#,
            422,
            "`args.site` must be a number as `place.list` shows it",
        ),
        (
            r#"{"do":"place.confirm","by":"x","args":{"site":4,"line":"Quernstone Road"}}"#,
            422,
            "`args.camera` is missing; send a text of 1 to 200 characters",
        ),
        (r#"{"do":"tow.end"}"#, 422, "`by` is missing; send a text of 1 to 80 characters"),
        (
            r#"{"do":"tow.begin","by":"x","args":{"for_s":43201}}"#,
            422,
            "`args.for_s` must be a whole number of seconds, 1 to 43200",
        ),
        (
            r#"{"do":"tow.begin","by":"x","args":{"for_s":1.5}}"#,
            422,
            "`args.for_s` must be a whole number of seconds, 1 to 43200",
        ),
        (
            r#"{"do":"tow.begin","by":"x","args":{"for_s":60,"extend":"yes"}}"#,
            422,
            "`args.extend` is neither true nor false",
        ),
        (r#"{"do":"status","args":3}"#, 422, "`args` is no object; send {} if there are none"),
        (r#"{"do":"status","args":{"x":1}}"#, 422, "there is no field `args.x`; this verb takes none"),
        (
            r#"{"do":"place.confirm","by":"x","args":{"camera":"nroth"}}"#,
            422,
            "there is no such camera; did you mean north?",
        ),
        (
            r#"{"do":"place.set","by":"x","args":{"camera":"north","road":"a\u0000b"}}"#,
            422,
            "`args.road` holds characters that can't be printed; send plain text",
        ),
        (
            r#"{"do":"place.set","by":"x","args":{"camera":"north","raod":"a"}}"#,
            422,
            "there is no field `args.raod`; did you mean `args.road`?",
        ),
    ] {
        assert_eq!(refused(line), (status, detail.to_owned()), "{line}");
    }
    let long = format!(r#"{{"do":"place.set","by":"x","args":{{"camera":"north","road":"{}"}}}}"#, "r".repeat(161));
    assert_eq!(refused(&long), (422, "`args.road` is too long; send at most 160 characters".to_owned()));
}

#[test]
fn all_faults_of_a_request_are_told_at_once() {
    let problem = parse(br#"{"do":"place.set","args":{"camera":1,"way":"x"}}"#, &cameras()).unwrap_err();
    let fields: Vec<_> = problem.problems.iter().map(|fault| fault.field.as_deref().unwrap()).collect();
    assert_eq!(fields, ["by", "args.way", "args.camera", "args.road"]);
}
