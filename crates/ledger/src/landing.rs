//! What a delivery comes to for each of its sheets, and what comes later: costs, credits, corrections. Whole minor units,
//! exact fractions.

use num_bigint::BigInt;
use uuid::Uuid;

use crate::body::{CostShare, FreightBy};
use crate::money::{Receiver, split};

/// One line of a delivery.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Line {
    /// Codes of the good sheets.
    pub codes: Vec<String>,
    /// Sheets damaged on arrival.
    pub damaged: u32,
    /// Invoiced for all of them.
    pub total: i64,
    /// Twice the area of one sheet, µm².
    pub area2: i64,
    /// Nominal thickness, µm.
    pub thickness_um: i64,
    /// Density, g/m³.
    pub density_g_m3: Option<i64>,
}

impl Line {
    fn sheets(&self) -> usize {
        self.codes.len() + self.damaged as usize
    }
}

/// What a line of a delivery comes to.
#[derive(Clone, PartialEq, Eq, Debug, Default)]
pub struct Landed {
    /// Cost of each good sheet, in the order of their codes.
    pub good: Vec<i64>,
    /// Written off at once.
    pub written_off: i64,
    /// Its part of the freight.
    pub freight: i64,
    /// Its part of the duty.
    pub duty: i64,
}

/// What freight can be shared by: what was asked for, and area in the place of weight where a density is missing.
pub fn freight_by(asked: FreightBy, lines: &[Line]) -> FreightBy {
    match asked {
        FreightBy::Weight if lines.iter().any(|l| l.density_g_m3.is_none()) => FreightBy::Area,
        asked => asked,
    }
}

/// Splits each line's total over its sheets, damaged ones included; freight by weight, area or value, and duty by value,
/// over all good sheets of the delivery together. Damaged sheets are written off at their share; with no good sheet
/// freight and duty are too. Ties go to the lowest code, damaged sheets last.
pub fn landed(lines: &[Line], freight: i64, by: FreightBy, duty: i64) -> Vec<Landed> {
    // A sheet's value is its line's total by number: over the product of all numbers it is a whole one.
    let all: BigInt = lines.iter().map(|l| BigInt::from(l.sheets().max(1))).product();
    let value = |l: &Line| BigInt::from(l.total) * &all / l.sheets().max(1);
    let weight = |l: &Line| match freight_by(by, lines) {
        FreightBy::Weight => BigInt::from(l.area2) * l.thickness_um * l.density_g_m3.unwrap_or(0),
        FreightBy::Area => BigInt::from(l.area2),
        FreightBy::Value => value(l),
    };
    let shared = |sum: i64, of: &dyn Fn(&Line) -> BigInt| -> Vec<Vec<i64>> {
        let each: Vec<(usize, Receiver)> = lines
            .iter()
            .enumerate()
            .flat_map(|(n, l)| l.codes.iter().map(move |c| (n, c, l)))
            .map(|(n, code, l)| (n, Receiver::new(code.clone(), of(l))))
            .collect();
        let receivers: Vec<Receiver> = each.iter().map(|(_, r)| r.clone()).collect();
        let mut shares = vec![Vec::new(); lines.len()];
        each.iter().zip(split(sum, &receivers)).for_each(|((n, _), share)| shares[*n].push(share));
        shares
    };
    // With no good sheet at all, by the same measure over the lines.
    let lost = |sum: i64, of: &dyn Fn(&Line) -> BigInt| -> Vec<i64> {
        let receivers: Vec<Receiver> =
            lines.iter().enumerate().map(|(n, l)| Receiver::new(format!("{n:010}"), of(l) * l.sheets())).collect();
        split(sum, &receivers)
    };
    let none_good = lines.iter().all(|l| l.codes.is_empty());
    let (freights, duties) = (shared(freight, &weight), shared(duty, &value));
    let (lost_freight, lost_duty) = match none_good {
        true => (lost(freight, &weight), lost(duty, &value)),
        false => (vec![0; lines.len()], vec![0; lines.len()]),
    };
    lines
        .iter()
        .enumerate()
        .map(|(n, line)| {
            let mut receivers: Vec<Receiver> = line.codes.iter().map(|c| Receiver::new(c.clone(), 1)).collect();
            receivers.extend((0..line.damaged).map(|i| Receiver::new(format!("~{i:010}"), 1)));
            let of_line = split(line.total, &receivers);
            let good = (0..line.codes.len()).map(|i| of_line[i] + freights[n][i] + duties[n][i]).collect();
            let damaged: i64 = of_line[line.codes.len()..].iter().sum();
            Landed {
                good,
                written_off: damaged + lost_freight[n] + lost_duty[n],
                freight: freights[n].iter().sum::<i64>() + lost_freight[n],
                duty: duties[n].iter().sum::<i64>() + lost_duty[n],
            }
        })
        .collect()
}

/// A sheet of a lot, for what comes later.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct LotSheet {
    /// Its code.
    pub code: String,
    /// The piece.
    pub piece: Uuid,
    /// What it cost when it came, later costs and credits left out, minor units.
    pub landed: i64,
}

/// Shares a later cost, or a credit (below 0), over a lot's sheets alike; without sheets, all of it is written off.
pub fn later(amount: i64, sheets: &[LotSheet]) -> (Vec<CostShare>, i64) {
    let receivers: Vec<Receiver> = sheets.iter().map(|s| Receiver::new(s.code.clone(), 1)).collect();
    let parts = sheets.iter().zip(split(amount, &receivers));
    let shares = parts.filter(|(_, amount)| *amount != 0).map(|(s, amount)| CostShare { piece: s.piece, amount });
    (shares.collect(), if sheets.is_empty() { amount } else { 0 })
}

/// What a delivery line really was.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
#[allow(missing_docs)]
pub struct Facts {
    pub damaged: u32,
    pub line_total: i64,
    pub freight: i64,
    pub duty: i64,
}

/// What a correction comes to.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Corrected {
    /// What each sheet carries more or less.
    pub shares: Vec<CostShare>,
    /// What sheets carry that were not booked in.
    pub born: Vec<i64>,
    /// Written off on arrival, as it should have been.
    pub written_off: i64,
}

/// Corrects a delivery line: the sheets that stay in the books, and new ones by their codes, get what they would have
/// cost had it been right from the start.
pub fn corrected(kept: &[LotSheet], new: &[String], facts: &Facts) -> Corrected {
    let codes: Vec<String> = kept.iter().map(|s| s.code.clone()).chain(new.iter().cloned()).collect();
    let line =
        Line { codes, damaged: facts.damaged, total: facts.line_total, area2: 1, thickness_um: 1, density_g_m3: None };
    let landed = landed(&[line], facts.freight, FreightBy::Area, facts.duty).remove(0);
    let (of_kept, of_new) = landed.good.split_at(kept.len());
    let changes = kept.iter().zip(of_kept).map(|(s, cost)| CostShare { piece: s.piece, amount: cost - s.landed });
    Corrected {
        shares: changes.filter(|s| s.amount != 0).collect(),
        born: of_new.to_vec(),
        written_off: landed.written_off,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn line(codes: &[&str], damaged: u32, total: i64, density: Option<i64>) -> Line {
        let codes = codes.iter().map(|c| (*c).to_owned()).collect();
        Line { codes, damaged, total, area2: 2_000_000, thickness_um: 3_000, density_g_m3: density }
    }

    #[test]
    fn one_line_lands_to_the_cent() {
        let one = landed(&[line(&["a", "b", "c"], 1, 16_600, Some(1))], 1_000, FreightBy::Weight, 0);
        assert_eq!(one[0].good, vec![4_150 + 334, 4_150 + 333, 4_150 + 333]);
        assert_eq!((one[0].written_off, one[0].freight), (4_150, 1_000));
        let none = landed(&[line(&[], 2, 8_300, None)], 1_000, FreightBy::Weight, 7);
        assert_eq!((none[0].good.len(), none[0].written_off), (0, 9_307));
    }

    #[test]
    fn freight_goes_by_weight_and_duty_by_value() {
        let light = line(&["a", "b"], 0, 10_000, Some(500));
        let heavy = Line { density_g_m3: Some(1_500), ..line(&["c"], 1, 2_000, None) };
        // Weights 500, 500, 1500: the damaged sheet carries none. Values 50, 50, 10.
        let both = landed(&[light.clone(), heavy.clone()], 2_500, FreightBy::Weight, 1_100);
        assert_eq!((both[0].freight, both[1].freight), (1_000, 1_500));
        assert_eq!((both[0].duty, both[1].duty), (1_000, 100));
        assert_eq!(both[0].good, vec![5_000 + 500 + 500; 2]);
        assert_eq!(both[1].good, vec![1_000 + 1_500 + 100]);
        assert_eq!(both[1].written_off, 1_000);
        // A density is missing: by area. On request: by value.
        let unknown = Line { density_g_m3: None, ..heavy };
        let by_area = landed(&[light.clone(), unknown.clone()], 3_000, FreightBy::Weight, 0);
        assert_eq!((by_area[0].freight, by_area[1].freight), (2_000, 1_000));
        let by_value = landed(&[light, unknown], 1_100, FreightBy::Value, 0);
        assert_eq!((by_value[0].freight, by_value[1].freight), (1_000, 100));
    }

    fn sheet(n: u128, landed: i64) -> LotSheet {
        LotSheet { code: format!("{n}"), piece: Uuid::from_u128(n), landed }
    }

    #[test]
    fn what_comes_later_is_shared_alike() {
        let sheets = [sheet(1, 5_000), sheet(2, 5_000), sheet(3, 5_000)];
        let (shares, off) = later(-1_000, &sheets);
        assert_eq!(shares.iter().map(|s| s.amount).collect::<Vec<_>>(), vec![-334, -333, -333]);
        assert_eq!(off, 0);
        assert_eq!(later(500, &[]), (vec![], 500));
    }

    #[test]
    fn a_correction_is_what_it_would_have_cost() {
        let kept = [sheet(1, 5_000), sheet(2, 6_100)];
        let facts = Facts { damaged: 1, line_total: 24_000, freight: 300, duty: 0 };
        let right = corrected(&kept, &["3".to_owned()], &facts);
        assert_eq!(right.shares, vec![CostShare { piece: Uuid::from_u128(1), amount: 1_100 }]);
        assert_eq!((right.born.clone(), right.written_off), (vec![6_100], 6_000));
    }

    proptest! {
        #[test]
        fn everything_that_was_paid_lands(
            given in prop::collection::vec((0usize..5, 0u32..4, 0i64..1_000_000_000_000, 1i64..6_000_000_000_000, prop::option::of(1i64..9_000_000)), 1..5),
            freight in 0i64..1_000_000_000_000, duty in 0i64..1_000_000_000_000, by in 0usize..3,
        ) {
            let by = [FreightBy::Weight, FreightBy::Area, FreightBy::Value][by];
            let lines: Vec<Line> = given.iter().enumerate().map(|(n, (good, damaged, total, area2, density))| Line {
                codes: (0..*good).map(|i| format!("{n}-{i}")).collect(),
                damaged: (*damaged).max(u32::from(*good == 0)), total: *total, area2: *area2, thickness_um: 3_000, density_g_m3: *density,
            }).collect();
            let landed = landed(&lines, freight, by, duty);
            let paid: i64 = lines.iter().map(|l| l.total).sum::<i64>() + freight + duty;
            prop_assert_eq!(landed.iter().map(|l| l.good.iter().sum::<i64>() + l.written_off).sum::<i64>(), paid);
            prop_assert_eq!(landed.iter().map(|l| l.freight).sum::<i64>(), freight);
            prop_assert_eq!(landed.iter().map(|l| l.duty).sum::<i64>(), duty);
            for (line, landed) in lines.iter().zip(&landed) {
                prop_assert_eq!(landed.good.iter().sum::<i64>() + landed.written_off, line.total + landed.freight + landed.duty);
                prop_assert!(landed.good.iter().all(|c| *c >= 0));
            }
        }
    }
}
