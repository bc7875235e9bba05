//! From strokes to parts: the order of things.

use std::collections::{HashMap, HashSet};

use sheetloft_shapes::{Contour, Ring, Shape, ShapeError, limits};

use crate::alike::Likeness;
use crate::curve::{Affine, P, Path, area2};
use crate::join::{Closed, Joined, Loose, Remainder, join, reversed};
use crate::nest::{Budget, Nest, crossing, nest};
use crate::sketch::{Sketch, Tally};
use crate::source::{contour_of_path, path_nm, path_um};
use crate::unit::Unit;
use crate::{DrawingError, LeftOut, Note, Options, Part, Place, Role, What, Why, chords};

/// Tolerances for chords that are tried one after the other, µm: where an outline comes so near to itself that its
/// chords meet, finer ones may not.
const TOLERANCES_UM: [f64; 4] = [chords::CHORD_UM, 20.0, 8.0, 4.0];
/// So many open lines are listed each with its own place; more are counted.
const LISTED_MOST: usize = 200;

/// What a sketch comes to.
pub(crate) struct Outcome {
    pub(crate) parts: Vec<Part>,
    pub(crate) left_out: Vec<LeftOut>,
    pub(crate) notes: Vec<Note>,
}

/// Makes parts of a sketch.
///
/// # Errors
/// Where it reaches too far, or its outlines are too entangled.
pub(crate) fn parts(sketch: Sketch, unit: Unit, options: &Options) -> Result<Outcome, DrawingError> {
    let Sketch { strokes, mut left_out, mut notes, .. } = sketch;
    left_out.scale(unit.nm() / 1e6);
    for p in notes.iter_mut().filter_map(|n| n.place_mut().at_mm.as_mut()) {
        *p = p.map(|v| v * unit.nm() / 1e6);
    }
    let asked: Option<HashSet<String>> =
        options.layers.as_ref().map(|layers| layers.iter().map(|l| l.to_lowercase()).collect());
    let to_nm = Affine::scale(unit.nm(), unit.nm());
    let mut loose = Vec::with_capacity(strokes.len());
    for stroke in strokes {
        let entity = || What::Entity("line".to_owned());
        if asked.as_ref().is_some_and(|asked| !asked.contains(&stroke.layer.to_lowercase())) {
            left_out.add(entity(), Some(stroke.layer), stroke.block, None, Why::LayerNotAsked);
            continue;
        }
        let path = stroke.path.moved(&to_nm);
        let reach = path.bounds().reach() / 1000.0;
        if reach.is_nan() || reach > limits::COORDINATE_UM as f64 {
            return Err(DrawingError::TooFar { mm: reach / 1000.0, unit, most: limits::COORDINATE_UM / 1000 });
        }
        let contour = contour_of_path(&path);
        if contour.segments.is_empty() {
            left_out.add(entity(), Some(stroke.layer), stroke.block, None, Why::NoLength);
            continue;
        }
        loose.push(Loose { contour, closed: stroke.closed, layer: stroke.layer, block: stroke.block });
    }
    let Joined { closed, open, twice, crossing, bridged } = join(loose, f64::from(options.join_um) * 1000.0)?;
    for (i, r) in open.into_iter().enumerate() {
        let why = r.gap.map_or(Why::NoArea, |gap| Why::Open { gap_mm: gap / 1e6 });
        let at = Some(mm(r.at));
        if i < LISTED_MOST {
            left_out.add_alone(What::OpenLine, Some(r.layer), r.block, at, why);
        } else {
            left_out.add(What::OpenLine, Some(r.layer), r.block, at, why);
        }
    }
    for r in crossing {
        let at = Some(mm(r.at));
        left_out.add_alone(What::Entity("line".to_owned()), Some(r.layer), r.block, at, Why::CrossesAnother);
    }
    for r in twice {
        let at = Some(mm(r.at));
        left_out.add(What::Entity("line".to_owned()), Some(r.layer), r.block, at, Why::DrawnTwice);
    }
    notes.extend(
        bridged
            .iter()
            .take(LISTED_MOST)
            .map(|r| Note::Bridged { place: place(r), gap_mm: r.gap.unwrap_or_default() / 1e6 }),
    );
    let found = shaped(&closed, options.role, &mut left_out)?;
    Ok(Outcome { parts: counted(&closed, found), left_out: left_out.into_list(), notes })
}

fn mm(nm: P) -> [f64; 2] {
    nm.map(|v| v / 1e6)
}

fn place(r: &Remainder) -> Place {
    Place { layer: Some(r.layer.to_string()), block: r.block.as_ref().map(|b| b.to_string()), at_mm: Some(mm(r.at)) }
}

/// An outline with its holes, not yet counted or named.
struct Found {
    /// The outline, by its place among the contours.
    outline: usize,
    shape: Shape,
    source: Vec<Contour>,
    area_mm2: f64,
}

fn shaped(closed: &[Closed], role: Role, left_out: &mut Tally) -> Result<Vec<Found>, DrawingError> {
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
        left_out.add_alone(what, Some(layer.clone()), block.clone(), Some(at), why);
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
                    found.push(Found { outline: i, shape, source, area_mm2 });
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
fn counted(closed: &[Closed], found: Vec<Found>) -> Vec<Part> {
    let mut parts: Vec<(Part, String)> = Vec::new();
    let mut likenesses: Vec<Likeness> = Vec::new();
    let mut by_size: HashMap<(usize, usize, i64), Vec<usize>> = HashMap::new();
    let budget = Budget::new();
    for one in found {
        let likeness = Likeness::of(&one.source);
        let (contours, features, size) = likeness.size();
        let near = (-1..=1).filter_map(|d| by_size.get(&(contours, features, size + d))).flatten().copied();
        let mut near = near.take_while(|_| !budget.is_spent());
        if let Some(same) = near.find(|&p| likenesses[p].same(&likeness, &budget)) {
            parts[same].0.quantity += 1;
            continue;
        }
        by_size.entry((contours, features, size)).or_default().push(parts.len());
        likenesses.push(likeness);
        let Closed { layer, block, .. } = &closed[one.outline];
        let base = match block {
            Some(block) => block.to_string(),
            // Layer 0 is what everything is on where nobody made layers.
            None if **layer == *"0" => String::new(),
            None => layer.to_string(),
        };
        let part = Part {
            id: format!("p{}", parts.len() + 1),
            name: String::new(),
            shape: one.shape,
            source: one.source,
            area_mm2: one.area_mm2,
            quantity: 1,
        };
        parts.push((part, base));
    }
    let mut times: HashMap<String, usize> = HashMap::new();
    parts.iter().for_each(|(_, base)| *times.entry(base.clone()).or_default() += 1);
    let mut numbers: HashMap<String, usize> = HashMap::new();
    parts
        .into_iter()
        .map(|(mut part, base)| {
            let number = numbers.entry(base.clone()).or_default();
            *number += 1;
            part.name = match times[&base] {
                _ if base.is_empty() => number.to_string(),
                1 => base,
                _ => format!("{base} {number}"),
            };
            part
        })
        .collect()
}
