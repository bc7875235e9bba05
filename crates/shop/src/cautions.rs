//! The usual cautions where sheets are received, pulled or cut. Local rules, the machine's manual and
//! licensed people come first, and every list says so.

use sheetloft_ledger::state::Material;
use sheetloft_shapes::Shape;

use crate::say;

/// A load above this is not for one person: 23 kg, the best case of the revised NIOSH lifting equation
/// (NIOSH 94-110); carrying full sheets is outside that equation, so this is never "within the limit".
const ONE_PERSON_KG: f64 = 23.0;

/// At 40 cm reach the same equation gives 14.4 kg (computed): from here on, better with two.
const BETTER_TWO_KG: f64 = 14.4;

/// Longer than this, a piece is awkward for one person whatever it weighs. Common practice, no source.
const AWKWARD_UM: i64 = 1_500_000;

/// For handling a piece of a material: its weight and its longest side in µm.
pub fn handling(material: &Material, weight_kg: Option<f64>, longest_um: i64) -> Vec<String> {
    let mut said = Vec::new();
    match weight_kg {
        Some(kg) if kg <= BETTER_TWO_KG && longest_um > AWKWARD_UM => {
            said.push(say!("caution-awkward", kg = format!("{kg:.1}")));
        }
        Some(kg) if kg > ONE_PERSON_KG => said.push(say!("caution-lift", kg = format!("{kg:.1}"))),
        Some(kg) if kg > BETTER_TWO_KG => said.push(say!("caution-two", kg = format!("{kg:.1}"))),
        Some(_) => {}
        None => said.push(say!("caution-weight-unknown")),
    }
    said.push(say!("caution-edges"));
    said.push(say!("caution-tip"));
    if let Some(why) = &material.data.not_for_laser {
        said.push(say!("caution-not-for-laser", material = &material.data.name, why = why));
    }
    said.push(say!("caution-rules"));
    said.iter().map(say::Say::text).collect()
}

/// For cutting a material.
pub fn cutting(material: &Material, weight_kg: Option<f64>, longest_um: i64) -> Vec<String> {
    let mut said = handling(material, weight_kg, longest_um);
    let last = said.pop();
    said.push(say!("caution-laser-attended").text());
    said.push(say!("caution-fumes").text());
    said.extend(last);
    said
}

/// The longer side of a shape's bounds, µm.
pub fn longest_um(shape: &Shape) -> i64 {
    let (low, high) = shape.bounds();
    i64::from(high.x - low.x).max(i64::from(high.y - low.y))
}

/// Adds cautions that were not said yet.
pub fn once(said: &mut Vec<String>, more: Vec<String>) {
    for caution in more {
        if !said.contains(&caution) {
            said.push(caution);
        }
    }
}
