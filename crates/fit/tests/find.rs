//! What `find` answers over many pieces: the smallest that hold the part, every piece accounted for.

mod support;

use sheetloft_fit::{
    Candidate, Caps, Fit, Grain, Host, Index, Options, Part, Query, QueryAnswer, Reason, Signature, Stock, Turns,
    Verdict, Watch, find, solve, verify,
};
use sheetloft_shapes::{Point, Shape, Turn};
use support::{FAMILIES, Rng, kept_by_geo, offcut, part};

fn rect(w: i32, h: i32) -> Shape {
    let p = Point::new;
    Shape::new(vec![p(0, 0), p(w, 0), p(w, h), p(0, h)], Vec::new()).expect("a rectangle")
}

/// Pieces in memory with their index; flaws and grain as given.
struct Shop {
    pieces: Vec<(Shape, Vec<Shape>)>,
    index: Index,
}

impl Shop {
    fn new(pieces: impl IntoIterator<Item = (Shape, Vec<Shape>, Option<Grain>)>) -> Self {
        let mut shop = Self { pieces: Vec::new(), index: Index::new() };
        for (shape, flaws, grain) in pieces {
            shop.index.push(&Signature::of(&shape, &flaws), grain);
            shop.pieces.push((shape, flaws));
        }
        shop
    }

    fn plain(pieces: impl IntoIterator<Item = Shape>) -> Self {
        Self::new(pieces.into_iter().map(|p| (p, Vec::new(), None)))
    }

    fn ask(&self, part: &Shape, turns: &Turns, options: &Options) -> QueryAnswer {
        self.ask_in(part, turns, options, None)
    }

    fn ask_in(&self, part: &Shape, turns: &Turns, options: &Options, order: Option<&[i64]>) -> QueryAnswer {
        let part = Part::new(part);
        let query = Query { part: &part, turns, flip: true, order };
        let Ok(mut answers) = find(&[query], &self.index, self.pieces.as_slice(), options, &mut ());
        answers.remove(0)
    }
}

fn accounted_for(answer: &QueryAnswer) -> bool {
    answer.ruled_out == answer.reasons.values().sum::<usize>()
        && answer.looked_at == answer.fits.len() + answer.ruled_out + answer.too_close.len() + answer.not_needed
}

fn mixed_shop(seed: u64, count: usize) -> Shop {
    let mut rng = Rng(seed);
    Shop::plain((0..count).map(|_| offcut(&mut rng)).collect::<Vec<_>>())
}

#[test]
fn every_piece_is_answered_as_by_itself_and_the_smallest_come_first() {
    let shop = mixed_shop(21, 120);
    let mut rng = Rng(22);
    for family in FAMILIES {
        let size = rng.range(100_000.0, 450_000.0);
        let shape = part(&mut rng, family, size);
        let options = Options { kerf_um: 2_000, margin_um: 1_500, ..Options::default() };
        let answer = shop.ask(&shape, &Turns::any(), &options);
        assert!(accounted_for(&answer));
        assert_eq!((answer.looked_at, answer.not_needed), (120, 0));
        let area = |i: usize| shop.pieces[i].0.area2();
        assert!(answer.fits.windows(2).all(|w| area(w[0].candidate) <= area(w[1].candidate)));
        let prepared = Part::new(&shape);
        for (i, (piece, _)) in shop.pieces.iter().enumerate() {
            let host = Host::new(piece, &[], 3_500, &[]);
            let alone = solve(&prepared, &Turns::any(), true, &host, &Caps::default(), &mut ());
            let found = answer.fits.iter().find(|f| f.candidate == i);
            assert_eq!(found.is_some(), matches!(alone, Verdict::Fits { .. }), "{family:?} on {i}: {alone:?}");
            if let Some(fit) = found {
                assert_eq!(verify(&shape, &fit.placement, &host), Ok(fit.spare_um));
                let kept = kept_by_geo(&shape, &fit.placement, piece).expect("inside");
                assert!(kept + 1e-3 >= (3_500 + fit.spare_um) as f64);
            }
        }
    }
}

#[test]
fn the_first_fit_alone_is_the_first_of_all_and_threads_change_nothing() {
    let shop = mixed_shop(31, 150);
    let mut rng = Rng(32);
    for family in FAMILIES {
        let size = rng.range(100_000.0, 450_000.0);
        let shape = part(&mut rng, family, size);
        let options = |top, threads| Options { kerf_um: 3_000, top, threads, ..Options::default() };
        let all = shop.ask(&shape, &Turns::any(), &options(None, 1));
        for top in [1, 3] {
            let answer = shop.ask(&shape, &Turns::any(), &options(Some(top), 1));
            assert!(accounted_for(&answer));
            assert_eq!(answer.fits[..], all.fits[..top.min(all.fits.len())]);
            assert_eq!(answer, shop.ask(&shape, &Turns::any(), &options(Some(top), 2)));
        }
        assert_eq!(all, shop.ask(&shape, &Turns::any(), &options(None, 3)));
    }
}

#[test]
fn grain_binds_the_turns_to_the_piece() {
    let grain = |at: i64| Some(Grain { at: Turn(at), tolerance_udeg: 500_000 });
    // The same long piece, its grain along it, across it, slanted; and one without grain.
    let pieces = [grain(0), grain(90_000_000), grain(45_000_000), None];
    let shop = Shop::new(pieces.map(|g| (rect(600_000, 200_000), Vec::new(), g)));
    let along = shop.ask(&rect(500_000, 150_000), &Turns::half(), &Options::default());
    assert_eq!(along.fits.iter().map(|f| f.candidate).collect::<Vec<_>>(), [0, 3]);
    let across = shop.ask(&rect(150_000, 500_000), &Turns::half(), &Options::default());
    assert_eq!(across.fits.iter().map(|f| f.candidate).collect::<Vec<_>>(), [1]);
    let any = shop.ask(&rect(150_000, 500_000), &Turns::any(), &Options::default());
    assert_eq!(any.fits.len(), 4);
    let square = shop.ask(&rect(100_000, 100_000), &Turns::half(), &Options::default());
    assert_eq!(square.fits.len(), 4);
    let slanted = square.fits[2].placement.turn.0 % 90_000_000;
    assert!((44_500_000..=45_500_000).contains(&slanted), "{slanted}");
}

#[test]
fn where_only_the_margin_is_missing_it_is_said() {
    let shop = Shop::plain([rect(300_000, 200_000), rect(304_000, 204_000), rect(310_000, 206_000)]);
    let options = Options { kerf_um: 2_000, margin_um: 5_000, without_margin: true, ..Options::default() };
    let answer = shop.ask(&rect(300_000, 200_000), &Turns::any(), &options);
    assert!(answer.fits.is_empty() && answer.too_close.is_empty() && accounted_for(&answer));
    let fit = answer.without_margin.expect("the second one, with the kerf alone");
    assert_eq!((fit.candidate, fit.spare_um), (1, 0));
    let answer = shop.ask(&rect(291_000, 190_000), &Turns::any(), &options);
    assert_eq!(answer.fits.first().map(|f| f.candidate), Some(2));
    assert_eq!(answer.without_margin, None);
}

#[test]
fn a_stopped_search_says_so() {
    let shop = mixed_shop(41, 60);
    let shape = rect(150_000, 90_000);
    let part = Part::new(&shape);
    let turns = Turns::any();
    let query = Query { part: &part, turns: &turns, flip: false, order: None };
    // With several threads another may have solved all before this one is asked again.
    for (threads, mut left) in [(1, 5), (2, 1)] {
        let mut last = (0, 0);
        let mut watch = |done: usize, of: usize| {
            last = (done, of);
            left -= 1;
            left > 0
        };
        let options = Options { threads, ..Options::default() };
        let Ok(answers) = find(&[query, query], &shop.index, shop.pieces.as_slice(), &options, &mut watch);
        assert_eq!(last.1, 120);
        for answer in &answers {
            assert!(accounted_for(answer));
            assert!(answer.too_close.iter().any(|t| t.within_um.is_none()));
        }
        // Nothing of the second was looked at, but what a glance rules out.
        assert!(answers[1].fits.is_empty());
    }
}

#[test]
fn with_room_a_part_goes_to_a_corner_and_keeps_what_is_wished() {
    let shop = Shop::plain([rect(1_000_000, 700_000)]);
    let options = Options { kerf_um: 3_000, ease_um: 2_000, ..Options::default() };
    let fit = shop.ask(&rect(200_000, 100_000), &Turns::any(), &options).fits[0];
    assert!(fit.placement.turn.is_quarter());
    assert!((2_000..=2_005).contains(&fit.spare_um), "{fit:?}");
    let placed = rect(200_000, 100_000).placed(&fit.placement).unwrap();
    let (lo, _) = placed.bounds();
    assert!(lo.x <= 5_010 && lo.y <= 5_010, "{lo:?}");
}

#[test]
fn nothing_to_look_at_is_an_answer_too() {
    let shop = Shop::plain([]);
    let answer = shop.ask(&rect(10, 10), &Turns::any(), &Options::default());
    assert_eq!(answer, QueryAnswer::default());
}

#[test]
fn any_order_may_be_asked_for() {
    let shop = mixed_shop(51, 120);
    let shape = rect(160_000, 90_000);
    let all = shop.ask(&shape, &Turns::any(), &Options::default());
    assert!(all.fits.len() > 20);
    let mut rng = Rng(52);
    // Ranks that repeat: equal ones come in the order of the index.
    let ranks: Vec<i64> = (0..120).map(|_| rng.below(30) as i64 - 7).collect();
    for threads in [1, 2] {
        let options = Options { threads, ..Options::default() };
        let ranked = shop.ask_in(&shape, &Turns::any(), &options, Some(&ranks));
        assert!(accounted_for(&ranked) && ranked.fits.len() == all.fits.len());
        assert!(ranked.fits.windows(2).all(|w| {
            let key = |i: usize| (ranks[i], i);
            key(w[0].candidate) < key(w[1].candidate)
        }));
        let first = shop.ask_in(&shape, &Turns::any(), &Options { top: Some(4), ..options }, Some(&ranks));
        assert_eq!(first.fits[..], ranked.fits[..4]);
        assert!(accounted_for(&first));
    }
}

#[test]
fn fits_are_told_on_the_way_and_each_is_better_than_the_last() {
    struct Told(Vec<Fit>);
    impl Watch for Told {
        fn go_on(&mut self, _: usize, _: usize) -> bool {
            true
        }
        fn found(&mut self, query: usize, fit: &Fit) {
            assert_eq!(query, 0);
            self.0.push(*fit);
        }
    }
    // Many bars that nearly hold the part, then some that do.
    let bars = (0..60).map(|i| rect(200_000 + 3_000 * i, 99_000)).collect::<Vec<_>>();
    let shop = Shop::plain(bars.into_iter().chain((0..30).map(|i| rect(420_000 + 1_000 * i, 200_000))));
    let p = Point::new;
    let corners =
        vec![p(0, 0), p(190_000, 0), p(190_000, 60_000), p(60_000, 60_000), p(60_000, 100_000), p(0, 100_000)];
    let part = Part::new(&Shape::new(corners, Vec::new()).unwrap());
    let query = Query { part: &part, turns: &Turns::any(), flip: false, order: None };
    for threads in [1, 2] {
        let mut told = Told(Vec::new());
        let options = Options { top: Some(1), nicest: 0, tidy: 0, threads, ..Options::default() };
        let Ok(answers) = find(&[query], &shop.index, shop.pieces.as_slice(), &options, &mut told);
        let area = |f: &Fit| shop.pieces[f.candidate].0.area2();
        assert!(told.0.windows(2).all(|w| area(&w[1]) < area(&w[0])));
        assert_eq!(told.0.last(), answers[0].fits.first());
        assert_eq!(answers[0].fits[0].candidate, 60);
        for fit in &told.0 {
            let host = Host::new(&shop.pieces[fit.candidate].0, &[], 0, &[]);
            assert_eq!(verify(part.shape(), &fit.placement, &host), Ok(fit.spare_um));
        }
    }
}

#[test]
fn the_piece_that_loses_least_may_be_asked_for_first() {
    let p = Point::new;
    // Smallest first: a strip that would be cut up, a rectangle, and a body with a nose just for it.
    let nose =
        vec![p(0, 0), p(900_000, 0), p(900_000, 300_000), p(1_100_000, 300_000), p(1_100_000, 500_000), p(0, 500_000)];
    let shop = Shop::plain([
        rect(800_000, 200_000),
        rect(700_000, 500_000),
        Shape::new(nose, Vec::new()).unwrap(),
        rect(1_500_000, 1_000_000),
    ]);
    for threads in [1, 2, 3] {
        let options = Options { by_leftover: Some(4), threads, ..Options::default() };
        let all = shop.ask(&rect(190_000, 190_000), &Turns::any(), &options);
        assert_eq!(all.fits.iter().map(|f| f.candidate).collect::<Vec<_>>(), [2, 0, 1, 3]);
        assert!(all.fits.iter().all(|f| f.left_um2.is_some()) && accounted_for(&all));
        let first = shop.ask(&rect(190_000, 190_000), &Turns::any(), &Options { top: Some(1), ..options });
        assert_eq!(first.fits[..], all.fits[..1]);
        assert!(first.not_needed == 3 && accounted_for(&first));
        // Of two only, the nose is not seen.
        let options = Options { top: Some(2), by_leftover: Some(2), ..options };
        let few = shop.ask(&rect(190_000, 190_000), &Turns::any(), &options);
        assert_eq!(few.fits.iter().map(|f| f.candidate).collect::<Vec<_>>(), [0, 1]);
    }
}

#[test]
fn what_rules_pieces_out_is_counted() {
    let shop =
        Shop::plain([rect(100_000, 100_000), rect(1_000_000, 110_000), rect(460_000, 460_000), rect(500_200, 500_000)]);
    let options = Options { kerf_um: 1_000, ..Options::default() };
    let answer = shop.ask(&rect(500_000, 120_000), &Turns::quarter(), &options);
    assert!(answer.fits.is_empty() && accounted_for(&answer), "{answer:?}");
    let count = |r| answer.reasons.get(&r).copied().unwrap_or(0);
    assert_eq!(count(Reason::Area), 1, "{answer:?}");
    assert_eq!(count(Reason::Disc) + count(Reason::Inner) + count(Reason::Width), 3, "{answer:?}");
}

#[test]
fn a_piece_that_cannot_be_had_ends_the_search() {
    struct Broken;
    impl Stock for Broken {
        type Error = String;
        fn candidate(&self, at: usize) -> Result<Candidate<'_>, String> {
            Err(format!("no shape at {at}"))
        }
    }
    let mut index = Index::new();
    index.push(&Signature::of(&rect(300_000, 200_000), &[]), None);
    let part = Part::new(&rect(100_000, 100_000));
    let query = Query { part: &part, turns: &Turns::any(), flip: false, order: None };
    for threads in [1, 2] {
        let options = Options { threads, ..Options::default() };
        assert_eq!(find(&[query], &index, &Broken, &options, &mut ()), Err("no shape at 0".to_owned()));
    }
}
