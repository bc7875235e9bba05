//! What is asked of readers whatever they are given.

use sheetloft_drawings::{JOIN_UM, Options, Role, contours_of_shape, read};
use sheetloft_shapes::{Shape, offset};

/// Reads a drawing, as a part or a piece by the parity of its length, and checks what holds of every drawing.
pub fn drawing(name: &str, bytes: &[u8]) {
    let role = if bytes.len() % 2 == 0 { Role::Part } else { Role::Piece };
    let options = Options { role, join_um: JOIN_UM * (1 + bytes.len() as u32 % 3), ..Options::default() };
    let Ok(drawing) = read(name, bytes, &options) else { return };
    for part in &drawing.parts {
        assert!(part.area_mm2.is_finite() && part.area_mm2 >= 0.0 && part.cut_mm.is_finite() && part.quantity > 0);
        assert_eq!(part.source.len(), part.shape.rings().count());
        // A shape that came out is one that would be taken.
        let again = Shape::new(part.shape.outline().to_vec(), part.shape.holes().to_vec());
        assert_eq!(again.as_ref(), Ok(&part.shape));
    }
    // Not each time: it costs as much again.
    if bytes.len() % 8 == 0 {
        assert_eq!(read(name, bytes, &options).as_ref(), Ok(&drawing), "the same bytes are the same drawing");
    }
}

/// Reads a shape and checks what holds of every shape.
pub fn shape(bytes: &[u8]) {
    // In whole µm, as it is kept; and in mm, as a person gives it.
    if let Ok(shape) = serde_json::from_slice::<Shape>(bytes) {
        sound(&shape);
    }
    let Ok((outline, holes)) = serde_json::from_slice::<(Vec<[f64; 2]>, Vec<Vec<[f64; 2]>>)>(bytes) else { return };
    if let Ok(shape) = Shape::from_mm(&outline, &holes) {
        sound(&shape);
    }
}

fn sound(shape: &Shape) {
    let again = Shape::new(shape.outline().to_vec(), shape.holes().to_vec());
    assert_eq!(again.as_ref(), Ok(shape), "a shape is valid as it stands");
    let text = serde_json::to_string(shape).expect("a shape is written");
    assert_eq!(serde_json::from_str::<Shape>(&text).expect("and read back"), *shape);
    assert!(shape.area2() > 0);
    let (low, high) = shape.bounds();
    assert!(low.x < high.x && low.y < high.y);
    for corner in shape.corners() {
        assert!(shape.contains_point(corner));
    }
    assert_eq!(contours_of_shape(shape).len(), shape.rings().count());
    let _ = offset::shrunk(shape, 1_000, offset::Corners::Round);
}
