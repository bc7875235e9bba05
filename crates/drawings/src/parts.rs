//! From strokes to parts: the order of things.

use std::collections::HashMap;
use std::rc::Rc;

use sheetloft_shapes::{Contour, Ring, Shape, ShapeError, limits};

use crate::alike::Likeness;
use crate::curve::{Affine, P, Path, area2};
use crate::join::{Closed, Joined, Loose, Remainder, join, reversed};
use crate::layers::{self, Sorted};
use crate::lies_on::Lines;
use crate::names::named;
use crate::nest::{Budget, Nest, crossing, nest};
use crate::sketch::{Sketch, Spot, Stroke, Tally, Word};
use crate::source::{contour_of_path, path_nm, path_um};
use crate::{DrawingError, Layer, LeftOut, Note, NoteOf, Options, Part, Role, Unit, What, Why, chords};

/// Tolerances for chords that are tried one after the other, µm: where an outline comes so near to itself that its
/// chords meet, finer ones may not.
const TOLERANCES_UM: [f64; 4] = [chords::CHORD_UM, 20.0, 8.0, 4.0];

/// What a sketch comes to.
pub(crate) struct Outcome {
    pub(crate) layers: Vec<Layer>,
    pub(crate) parts: Vec<Part>,
    pub(crate) left_out: Vec<LeftOut>,
    pub(crate) notes: Vec<Note>,
}

/// Makes parts of a sketch in a unit of `unit_nm` nanometres.
///
/// # Errors
/// Where it reaches too far, or its outlines are too entangled.
pub(crate) fn parts(sketch: Sketch, unit: Unit, unit_nm: f64, options: &Options) -> Result<Outcome, DrawingError> {
    let Sketch { strokes, mut left_out, mut notes, mut words, .. } = sketch;
    let mm = unit_nm / 1e6;
    left_out.scale(mm);
    for note in &mut notes {
        note.place.at_mm = note.place.at_mm.map(|p| p.map(|v| v * mm));
        if let NoteOf::Wide { width_mm } = &mut note.of {
            *width_mm *= mm;
        }
    }
    words.iter_mut().for_each(|w| w.at = w.at.map(|v| v * unit_nm / 1e3));
    let Sorted { layers, cut, not_cut, named_but_alone } = layers::sort(strokes, options);
    for (stroke, why) in not_cut {
        let at = stroke.path.start.map(|v| v * mm);
        left_out.add(What::Line, stroke.spot(Some(at)), why);
    }
    notes.extend(named_but_alone.iter().map(|spot| Note { place: in_mm(spot, mm), of: NoteOf::NamedButAlone }));
    let cut = brought_to_nm(cut, unit, unit_nm, &mut left_out)?;
    let mut pages: Vec<(u32, Vec<Loose>)> = Vec::new();
    let mut page_of: HashMap<u32, usize> = HashMap::new();
    for (page, loose) in cut {
        let at = *page_of.entry(page).or_insert_with(|| {
            pages.push((page, Vec::new()));
            pages.len() - 1
        });
        pages[at].1.push(loose);
    }
    let mut found = Vec::new();
    for (page, loose) in pages {
        found.extend(of_page(page, loose, options, &mut left_out, &mut notes)?);
    }
    let parts = counted(found, &words, options.mirrored_alike);
    Ok(Outcome { layers, parts, left_out: left_out.into_list(), notes })
}

fn in_mm(spot: &Spot, mm: f64) -> crate::Place {
    Spot { at: spot.at.map(|p| p.map(|v| v * mm)), ..spot.clone() }.place()
}

impl Stroke {
    /// Where it stands.
    pub(crate) fn spot(&self, at: Option<P>) -> Spot {
        Spot { layer: Some(self.layer.clone()), block: self.block.clone(), page: self.page, at }
    }
}

/// The strokes in nanometres, with their pages. Rims of areas along which lines are drawn anyway are dropped.
fn brought_to_nm(
    strokes: Vec<Stroke>,
    unit: Unit,
    unit_nm: f64,
    left_out: &mut Tally,
) -> Result<Vec<(u32, Loose)>, DrawingError> {
    let to_nm = Affine::scale(unit_nm, unit_nm);
    let mut loose = Vec::with_capacity(strokes.len());
    let mut rims = Vec::with_capacity(strokes.len());
    for stroke in strokes {
        let path = stroke.path.moved(&to_nm);
        let reach = path.bounds().reach() / 1000.0;
        if reach.is_nan() || reach > limits::COORDINATE_UM as f64 {
            return Err(DrawingError::TooFar { mm: reach / 1000.0, unit, most: limits::COORDINATE_UM / 1000 });
        }
        let contour = contour_of_path(&path);
        if contour.segments.is_empty() {
            left_out.add(What::Line, stroke.spot(None), Why::NoLength);
            continue;
        }
        let Stroke { closed, layer, colour, block, page, rim, .. } = stroke;
        rims.push(rim);
        loose.push((page, Loose { contour, closed, layer, colour, block }));
    }
    let lined: Vec<u32> = rims.iter().zip(&loose).filter(|(rim, _)| !**rim).map(|(_, l)| l.0).collect();
    if lined.is_empty() || lined.len() == loose.len() {
        return Ok(loose);
    }
    let budget = Budget::new();
    let mut lines: HashMap<u32, Lines> = HashMap::new();
    for page in lined {
        lines.entry(page).or_insert_with(|| {
            let drawn = loose.iter().zip(&rims).filter(|(l, rim)| l.0 == page && !**rim);
            let paths: Vec<Path> = drawn.map(|(l, _)| path_nm(&l.1.contour)).collect();
            Lines::new(paths.iter())
        });
    }
    let mut kept = Vec::with_capacity(loose.len());
    for ((page, loose), rim) in loose.into_iter().zip(rims) {
        if rim
            && let Some(lines) = lines.get(&page)
            && lines.hold(&path_nm(&loose.contour), &budget)?
        {
            let at = Some(loose.contour.start.map(|v| v as f64 / 1e6));
            left_out.add(What::Outline, Spot { layer: Some(loose.layer), block: loose.block, page, at }, Why::RimDrawn);
        } else {
            kept.push((page, loose));
        }
    }
    Ok(kept)
}

/// The outlines with their holes of one page.
fn of_page(
    page: u32,
    loose: Vec<Loose>,
    options: &Options,
    left_out: &mut Tally,
    notes: &mut Vec<Note>,
) -> Result<Vec<Found>, DrawingError> {
    let Joined { closed, open, twice, crossing, bridged } = join(loose, f64::from(options.join_um) * 1000.0)?;
    let spot = |r: &Remainder| Spot {
        layer: Some(r.layer.clone()),
        block: r.block.clone(),
        page,
        at: Some(r.at.map(|v| v / 1e6)),
    };
    for r in open {
        let why = r.gap.map_or(Why::NoArea, |gap| Why::Open { gap_mm: gap / 1e6 });
        left_out.add_alone(What::OpenLine, spot(&r), why);
    }
    for r in crossing {
        left_out.add_alone(What::Line, spot(&r), Why::CrossesAnother);
    }
    for r in twice {
        left_out.add(What::Line, spot(&r), Why::DrawnTwice);
    }
    notes.extend(
        bridged
            .iter()
            .take(limits::DRAWING_LISTED)
            .map(|r| Note { place: spot(r).place(), of: NoteOf::Bridged { gap_mm: r.gap.unwrap_or_default() / 1e6 } }),
    );
    shaped(page, &closed, options.role, left_out)
}

/// An outline with its holes, not yet counted or named.
struct Found {
    layer: Rc<str>,
    block: Option<Rc<str>>,
    page: u32,
    shape: Shape,
    source: Vec<Contour>,
    area_mm2: f64,
}

fn shaped(page: u32, closed: &[Closed], role: Role, left_out: &mut Tally) -> Result<Vec<Found>, DrawingError> {
    let paths: Vec<Path> = closed.iter().map(|c| path_um(&c.contour)).collect();
    let Nest { parent, depth, crossed, twice } = nest(&paths)?;
    let mut holes: HashMap<usize, Vec<usize>> = HashMap::new();
    for (i, parent) in parent.iter().enumerate() {
        if let Some(p) = parent.filter(|_| depth[i] % 2 == 1) {
            holes.entry(p).or_default().push(i);
        }
    }
    let mut tell = |i: usize, what: What, at: Option<P>, why: Why| {
        let at = at.unwrap_or(paths[i].start).map(|v| v / 1e3);
        let Closed { layer, block, .. } = &closed[i];
        let spot = Spot { layer: Some(layer.clone()), block: block.clone(), page, at: Some(at) };
        left_out.add_alone(what, spot, why);
    };
    let mut found = Vec::new();
    for i in 0..closed.len() {
        if twice[i] {
            tell(i, What::Outline, None, Why::DrawnTwice);
            continue;
        }
        if depth[i] % 2 == 1 {
            if let Some(at) = crossed[i] {
                tell(i, What::Hole, Some(at), Why::CrossesAnother);
            }
            continue;
        }
        let mine: Vec<usize> = holes.remove(&i).unwrap_or_default();
        let trouble = if let Some(at) = crossed[i] {
            Some((What::Outline, i, Some(at), Why::CrossesAnother))
        } else if mine.iter().any(|&h| crossed[h].is_some()) {
            Some((What::Outline, i, None, Why::HoleLeftOut))
        } else {
            match with_holes(i, &mine, &paths, role) {
                Ok((shape, kept)) => {
                    for &h in mine.iter().filter(|h| !kept.contains(h)) {
                        tell(h, What::Hole, None, Why::NoArea);
                    }
                    let outline = closed[i].contour.clone();
                    let inner = kept.iter().map(|&h| contour_of_path(&reversed(&path_nm(&closed[h].contour))));
                    let area = |h: usize| area2(&paths[h]).abs() / 2e6;
                    let area_mm2 = area(i) - kept.iter().map(|&h| area(h)).sum::<f64>();
                    let source = std::iter::once(outline).chain(inner).collect();
                    let Closed { layer, block, .. } = closed[i].clone();
                    found.push(Found { layer, block, page, shape, source, area_mm2 });
                    None
                }
                Err(trouble) => Some(trouble),
            }
        };
        let Some((what, at_fault, at, why)) = trouble else { continue };
        if at_fault != i {
            tell(i, What::Outline, None, Why::HoleLeftOut);
        }
        tell(at_fault, what, at, why);
        for &h in mine.iter().filter(|&&h| h != at_fault && crossed[h].is_none()) {
            tell(h, What::Hole, None, Why::OutlineLeftOut);
        }
    }
    Ok(found)
}

type Trouble = (What, usize, Option<P>, Why);

/// The shape of an outline and its holes, and which holes are in it: those that vanish on the grid are not.
fn with_holes(i: usize, holes: &[usize], paths: &[Path], role: Role) -> Result<(Shape, Vec<usize>), Trouble> {
    let mut last = None;
    for tolerance in TOLERANCES_UM {
        match with_chords(i, holes, paths, role, tolerance) {
            Ok(done) => return Ok(done),
            Err(trouble) => {
                let is_final = !matches!(trouble.3, Why::CrossesItself | Why::CrossesAnother);
                last = Some(trouble);
                if is_final {
                    break;
                }
            }
        }
    }
    Err(last.unwrap_or((What::Outline, i, None, Why::NoArea)))
}

fn with_chords(
    i: usize,
    holes: &[usize],
    paths: &[Path],
    role: Role,
    tolerance: f64,
) -> Result<(Shape, Vec<usize>), Trouble> {
    // Material lies to the left of outlines, which run counter-clockwise, and of holes once they are reversed.
    let to_right = role == Role::Part;
    let ring = |i: usize, what: What, path: &Path| -> Result<Ring, Trouble> {
        let ring = chords::ring(path, to_right, tolerance).ok_or((what.clone(), i, None, Why::TooManyCorners))?;
        match Shape::new(ring.clone(), Vec::new()) {
            Ok(_) => Ok(ring),
            Err(ShapeError::SelfCrossing { corner, other, .. }) => {
                let at = |k: usize| ring.get(k % ring.len()).map(|p| [f64::from(p.x), f64::from(p.y)]);
                let ends = [corner, corner + 1, other, other + 1].map(|k| at(k).unwrap_or_default());
                let at = crossing(ends[0], ends[1], ends[2], ends[3]).or(at(corner));
                Err((what, i, at, Why::CrossesItself))
            }
            Err(ShapeError::TooManyCorners { .. }) => Err((what, i, None, Why::TooManyCorners)),
            Err(_) => Err((what, i, None, Why::NoArea)),
        }
    };
    let outline = ring(i, What::Outline, &paths[i])?;
    let (mut rings, mut kept) = (Vec::new(), Vec::new());
    for &h in holes {
        match ring(h, What::Hole, &reversed(&paths[h])) {
            Ok(ring) => {
                rings.push(ring);
                kept.push(h);
            }
            Err((_, _, _, Why::NoArea)) => {}
            Err(trouble) => return Err(trouble),
        }
    }
    match Shape::new(outline, rings) {
        Ok(shape) => Ok((shape, kept)),
        Err(e) => Err(match e {
            ShapeError::HoleOutside { hole } | ShapeError::HolesOverlap { hole, .. } => {
                // Ring 0 is the outline, holes count from 1.
                (What::Hole, kept[hole - 1], None, Why::CrossesAnother)
            }
            ShapeError::TooManyCorners { .. } => (What::Outline, i, None, Why::TooManyCorners),
            ShapeError::TooManyRings { .. } => (What::Outline, i, None, Why::TooManyHoles),
            _ => (What::Outline, i, None, Why::NoArea),
        }),
    }
}

/// The parts, like ones counted together and named.
fn counted(found: Vec<Found>, words: &[Word], mirrored_alike: bool) -> Vec<Part> {
    let mut parts: Vec<Part> = Vec::new();
    let mut bases: Vec<String> = Vec::new();
    let mut likenesses: Vec<Likeness> = Vec::new();
    let mut by_size: HashMap<(usize, usize, i64), Vec<usize>> = HashMap::new();
    let budget = Budget::new();
    let names = named(&found.iter().map(|f| (f.page, &f.shape)).collect::<Vec<_>>(), words);
    // Parts keep their numbers whether mirrored ones are counted with them or not.
    let mut number = 0;
    let mut mirrors: Vec<(Likeness, usize)> = Vec::new();
    for (one, name) in found.into_iter().zip(names) {
        let likeness = Likeness::of(&one.source);
        let (contours, features, size) = likeness.size();
        let near = || (-1..=1).filter_map(|d| by_size.get(&(contours, features, size + d))).flatten().copied();
        let mut some = near().take_while(|_| !budget.is_spent());
        if let Some(same) = some.find(|&p| likenesses[p].same(&likeness, &budget)) {
            parts[same].quantity += 1;
            continue;
        }
        if mirrored_alike {
            if let Some((_, same)) = mirrors.iter().find(|(m, _)| m.same(&likeness, &budget)) {
                parts[*same].quantity += 1;
                continue;
            }
            let over = Likeness::of(&mirrored(&one.source));
            if let Some(same) = near().take_while(|_| !budget.is_spent()).find(|&p| likenesses[p].same(&over, &budget))
            {
                number += 1;
                parts[same].quantity += 1;
                mirrors.push((likeness, same));
                continue;
            }
        }
        number += 1;
        by_size.entry((contours, features, size)).or_default().push(parts.len());
        likenesses.push(likeness);
        bases.push(match (name, &one.block) {
            (Some(text), _) => text,
            (None, Some(block)) => block.to_string(),
            // Layer 0 is what everything is on where nobody made layers.
            (None, None) if *one.layer == *"0" => String::new(),
            (None, None) => one.layer.to_string(),
        });
        let paths: Vec<Path> = one.source.iter().map(path_nm).collect();
        let length: f64 = paths.iter().flat_map(Path::pieces).map(|p| p.length()).sum();
        parts.push(Part {
            id: format!("p{number}"),
            name: String::new(),
            layer: one.layer.to_string(),
            page: (one.page > 0).then_some(one.page),
            shape: one.shape,
            source: one.source,
            area_mm2: one.area_mm2,
            cut_mm: length / 1e6,
            quantity: 1,
        });
    }
    let mut times: HashMap<&str, usize> = HashMap::new();
    bases.iter().for_each(|base| *times.entry(base).or_default() += 1);
    let mut numbers: HashMap<&str, usize> = HashMap::new();
    for (part, base) in parts.iter_mut().zip(&bases) {
        let number = numbers.entry(base).or_default();
        *number += 1;
        part.name = match times[base.as_str()] {
            _ if base.is_empty() => number.to_string(),
            1 => base.clone(),
            _ => format!("{base} {number}"),
        };
    }
    parts
}

/// Contours seen from behind, running the same way round as before.
fn mirrored(source: &[Contour]) -> Vec<Contour> {
    let over = Affine::scale(-1.0, 1.0);
    source.iter().map(|c| contour_of_path(&reversed(&path_nm(c).moved(&over)))).collect()
}
