//! The strokes of one DXF entity.

use dxf::entities::{Ellipse, EntityType, LwPolyline, Polyline};
use dxf::{Point, Vector};

use super::spline;
use crate::Why;
use crate::curve::{Affine, P, Path, Seg, arc_from, bulged, circle, cross, elliptic, length};

/// An entity as drawn.
pub(super) struct Drawn {
    /// The kind of entity.
    pub(super) kind: &'static str,
    pub(super) path: Path,
    pub(super) closed: bool,
    /// The file has only points that the curve goes through; the curve between them is by our rule.
    pub(super) through_points: bool,
    /// The rim of an area, not a line.
    pub(super) rim: bool,
}

impl Drawn {
    pub(super) fn new(kind: &'static str, path: Path, closed: bool) -> Self {
        Self { kind, path, closed, through_points: false, rim: false }
    }

    /// The rim of a hatch, or some of it.
    pub(super) fn rim(path: Path, closed: bool) -> Self {
        Self { rim: true, ..Self::new("hatch", path, closed) }
    }
}

fn xy(p: &Point) -> P {
    [p.x, p.y]
}

/// The map from an entity's own plane to the drawing's, by the "arbitrary axis algorithm" of the DXF reference, for
/// the two planes that lie flat: seen from above, and seen from below, where x is mirrored. `None` for all others.
pub(super) fn plane(normal: &Vector) -> Option<Affine> {
    let across = length([normal.x, normal.y]);
    if across > 1e-6 * normal.z.abs() {
        return None;
    }
    Some(Affine::scale(if normal.z < 0.0 { -1.0 } else { 1.0 }, 1.0))
}

/// The strokes of an entity, in its block's coordinates.
///
/// # Errors
/// The reason why it is left out.
pub(super) fn strokes(entity: &EntityType, at: usize) -> Result<Drawn, Why> {
    match entity {
        EntityType::Line(line) => {
            let path = Path { start: xy(&line.p1), segs: vec![Seg::Line { to: xy(&line.p2) }] };
            if path.start == path.end() { Err(Why::NoLength) } else { Ok(Drawn::new("line", path, false)) }
        }
        EntityType::Circle(c) => {
            let plane = plane(&c.normal).ok_or(Why::Tilted)?;
            let radius = c.radius.abs();
            if radius == 0.0 {
                return Err(Why::NoLength);
            }
            Ok(Drawn::new("circle", circle(plane.point(xy(&c.center)), radius), true))
        }
        EntityType::Arc(arc) => {
            let plane = plane(&arc.normal).ok_or(Why::Tilted)?;
            let radius = arc.radius.abs();
            // Equal angles are a full circle, as an arc from 0 to 360 is.
            let sweep = match (arc.end_angle - arc.start_angle).rem_euclid(360.0) {
                s if s < 1e-9 => 360.0,
                s => s,
            };
            if radius == 0.0 {
                return Err(Why::NoLength);
            }
            let centre = xy(&arc.center);
            let start = Affine::turn(arc.start_angle).then(&Affine::translate(centre)).point([radius, 0.0]);
            let mut segs = Vec::new();
            arc_from(start, centre, sweep.to_radians(), &mut segs);
            if sweep < 360.0 {
                // The end by its own angle, so that quarters of a circle meet exactly.
                let end = Affine::turn(arc.end_angle).then(&Affine::translate(centre)).point([radius, 0.0]);
                if let Some(Seg::Arc { to, .. }) = segs.last_mut() {
                    *to = end;
                }
            }
            Ok(Drawn::new("arc", Path { start, segs }.moved(&plane), false))
        }
        EntityType::Ellipse(ellipse) => ellipse_path(ellipse).map(|path| Drawn::new("ellipse", path, false)),
        EntityType::LwPolyline(poly) => lwpolyline(poly),
        EntityType::Polyline(poly) => polyline(poly),
        EntityType::Spline(s) => spline::path(s, at),
        _ => Err(Why::KindNotRead),
    }
}

fn ellipse_path(e: &Ellipse) -> Result<Path, Why> {
    let flips = match plane(&e.normal) {
        None => return Err(Why::Tilted),
        Some(map) => map.vector([1.0, 0.0])[0],
    };
    let major = [e.major_axis.x, e.major_axis.y];
    // Half a circle's worth of ellipses is written with the longer axis named minor; that does no harm here.
    let ratio = e.minor_axis_ratio.abs();
    let minor = [-major[1] * ratio * flips, major[0] * ratio * flips];
    if cross(major, minor).abs() == 0.0 || e.major_axis.z.abs() > 1e-6 * length(major) {
        return Err(if length(major) == 0.0 || ratio == 0.0 { Why::NoLength } else { Why::Tilted });
    }
    let turn = std::f64::consts::TAU;
    let sweep = match (e.end_parameter - e.start_parameter).rem_euclid(turn) {
        s if !(1e-9..turn - 1e-9).contains(&s) => turn,
        s => s,
    };
    let centre = xy(&e.center);
    let (sin, cos) = (libm::sin(e.start_parameter), libm::cos(e.start_parameter));
    let start = [centre[0] + major[0] * cos + minor[0] * sin, centre[1] + major[1] * cos + minor[1] * sin];
    let mut segs = Vec::new();
    if (ratio - 1.0).abs() < 1e-12 {
        arc_from(start, centre, sweep * flips, &mut segs);
    } else {
        elliptic(centre, major, minor, e.start_parameter, sweep, |s| segs.push(s));
        if sweep == turn
            && let Some(Seg::Cubic { to, .. }) = segs.last_mut()
        {
            *to = start;
        }
    }
    Ok(Path { start, segs })
}

/// A path through corners, each with the bulge of the stroke that leaves it.
fn through(corners: &[(P, f64)], closed: bool) -> Result<Path, Why> {
    let mut path = Path { start: corners.first().ok_or(Why::NoLength)?.0, segs: Vec::new() };
    let mut at = corners[0];
    for &next in corners[1..].iter().chain(closed.then_some(&corners[0])) {
        if next.0 != at.0 {
            bulged(at.0, next.0, at.1, &mut path.segs);
        }
        at = next;
    }
    if path.segs.is_empty() { Err(Why::NoLength) } else { Ok(path) }
}

fn lwpolyline(poly: &LwPolyline) -> Result<Drawn, Why> {
    let plane = plane(&poly.extrusion_direction).ok_or(Why::Tilted)?;
    let corners: Vec<_> = poly.vertices.iter().map(|v| ([v.x, v.y], v.bulge)).collect();
    let closed = poly.is_closed();
    Ok(Drawn::new("lwpolyline", through(&corners, closed)?.moved(&plane), closed))
}

fn polyline(poly: &Polyline) -> Result<Drawn, Why> {
    if poly.is_3d_polygon_mesh() || poly.is_polyface_mesh() {
        return Err(Why::KindNotRead);
    }
    // Corners of a three-dimensional polyline are in the drawing's coordinates already.
    let plane = if poly.is_3d_polyline() { Affine::SAME } else { plane(&poly.normal).ok_or(Why::Tilted)? };
    let corners: Vec<_> = poly
        .vertices()
        .filter(|v| !v.is_spline_frame_control_point())
        .map(|v| (xy(&v.location), if poly.is_3d_polyline() { 0.0 } else { v.bulge }))
        .collect();
    let closed = poly.is_closed();
    Ok(Drawn::new("polyline", through(&corners, closed)?.moved(&plane), closed))
}

/// The name of a kind of entity.
pub(super) fn kind(entity: &EntityType) -> &'static str {
    match entity {
        EntityType::Line(_) => "line",
        EntityType::Circle(_) => "circle",
        EntityType::Arc(_) => "arc",
        EntityType::Ellipse(_) => "ellipse",
        EntityType::LwPolyline(_) => "lwpolyline",
        EntityType::Polyline(_) => "polyline",
        EntityType::Spline(_) => "spline",
        EntityType::Insert(_) => "insert",
        _ => "entity",
    }
}

/// Some point of an entity, to say where it is.
pub(super) fn point(entity: &EntityType) -> Option<P> {
    match entity {
        EntityType::Line(line) => Some(xy(&line.p1)),
        EntityType::Circle(c) => Some(xy(&c.center)),
        EntityType::Arc(arc) => Some(xy(&arc.center)),
        EntityType::Ellipse(e) => Some(xy(&e.center)),
        EntityType::LwPolyline(poly) => poly.vertices.first().map(|v| [v.x, v.y]),
        EntityType::Polyline(poly) => poly.vertices().next().map(|v| xy(&v.location)),
        EntityType::Spline(s) => s.control_points.first().or(s.fit_points.first()).map(xy),
        EntityType::Insert(insert) => Some(xy(&insert.location)),
        _ => None,
    }
}
