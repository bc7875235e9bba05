//! What using a piece comes to in money: cutting, taking. Whole minor units, exact fractions.

use num_bigint::BigInt;
use uuid::Uuid;

use crate::body::{Areas, Charge, OrderCharge, Outcome, PieceKind};
use crate::money::{Receiver, split};

/// A kept offcut that shares in a piece's cost.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KeptOffcut {
    /// Its code.
    pub code: String,
    /// Twice its area, µm².
    pub area2: i64,
}

/// A part that was cut, for the sharing of cost.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct CutShare {
    /// The order it was for.
    pub order: Uuid,
    /// The order's code.
    pub order_code: String,
    /// Twice its area, µm².
    pub area2: i64,
    /// How it came out.
    pub outcome: Outcome,
}

/// How a piece's cost is shared.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Shared {
    /// What each kept offcut carries, in the order given.
    pub offcuts: Vec<i64>,
    /// What each order pays, by code.
    pub charges: Vec<OrderCharge>,
}

/// Shares a piece's cost by area: one split over the kept offcuts and the orders together. A kept offcut's
/// weight is its area times the material's offcut value (only where a full sheet becomes an offcut); the
/// orders take the rest. Kerf, scrap and markdown go by area of good parts, or of planned ones if none is good.
///
/// Each order's sum is then split over its lines, again by exact fractions. `areas.parts2` holds good and
/// failed parts; parts not started or half cut are neither.
pub fn share(
    cost: i64,
    kind: PieceKind,
    offcut_value_percent: u8,
    offcuts: &[KeptOffcut],
    parts: &[CutShare],
    areas: &Areas,
) -> Shared {
    let value = match kind {
        PieceKind::Sheet => i64::from(offcut_value_percent.min(100)),
        PieceKind::Offcut => 100,
    };
    let mut orders: Vec<(String, Uuid)> = parts.iter().map(|p| (p.order_code.clone(), p.order)).collect();
    orders.sort();
    orders.dedup();
    let sum_of = |order: Option<Uuid>, outcome: Option<Outcome>| -> i64 {
        parts
            .iter()
            .filter(|p| order.is_none_or(|o| p.order == o) && outcome.is_none_or(|o| p.outcome == o))
            .map(|p| p.area2)
            .sum()
    };
    let (base, base_total) = match sum_of(None, Some(Outcome::Good)) {
        0 => (None, sum_of(None, None)),
        good => (Some(Outcome::Good), good),
    };
    let base_total = base_total.max(1);
    let markdown2 = areas.offcuts2;
    // All weights over the common denominator 100 × base_total.
    let own = |area2: i64| BigInt::from(area2) * 100 * base_total;
    let common = |area2: i64, percent: i64, order: Uuid| BigInt::from(area2) * percent * sum_of(Some(order), base);
    let lines = |order: Uuid| -> [BigInt; 5] {
        [
            own(sum_of(Some(order), Some(Outcome::Good))),
            common(areas.kerf2, 100, order),
            common(areas.scrap2, 100, order),
            common(markdown2, 100 - value, order),
            own(sum_of(Some(order), Some(Outcome::Failed))),
        ]
    };
    let mut receivers: Vec<Receiver> =
        offcuts.iter().map(|o| Receiver::new(o.code.clone(), BigInt::from(o.area2) * value * base_total)).collect();
    receivers
        .extend(orders.iter().map(|(code, order)| Receiver::new(code.clone(), lines(*order).iter().sum::<BigInt>())));
    let mut sums = split(cost, &receivers);
    let of_orders = sums.split_off(offcuts.len());
    let charges = orders
        .iter()
        .zip(of_orders)
        .map(|((_, order), sum)| {
            let receivers: Vec<Receiver> =
                lines(*order).into_iter().enumerate().map(|(i, w)| Receiver::new(i.to_string(), w)).collect();
            let s = split(sum, &receivers);
            OrderCharge {
                order: *order,
                charge: Charge { parts: s[0], kerf: s[1], scrap: s[2], markdown: s[3], failed: s[4] },
            }
        })
        .collect();
    Shared { offcuts: sums, charges }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn a_cut_is_shared_by_area() {
        let order = Uuid::from_u128(1);
        let areas = Areas { parts2: 50, kerf2: 2, offcuts2: 40, scrap2: 8 };
        let parts = vec![CutShare { order, order_code: "O-1".into(), area2: 50, outcome: Outcome::Good }];
        let offcuts = vec![KeptOffcut { code: "A".into(), area2: 40 }];
        let full = share(10_000, PieceKind::Sheet, 100, &offcuts, &parts, &areas);
        assert_eq!(full.offcuts, vec![4_000]);
        assert_eq!(full.charges[0].charge, Charge { parts: 5_000, kerf: 200, scrap: 800, markdown: 0, failed: 0 });
        let half = share(10_000, PieceKind::Sheet, 50, &offcuts, &parts, &areas);
        assert_eq!(half.offcuts, vec![2_000]);
        assert_eq!(half.charges[0].charge, Charge { parts: 5_000, kerf: 200, scrap: 800, markdown: 2_000, failed: 0 });
        // The offcut value is applied once: an offcut of an offcut keeps its area's share.
        let again = share(10_000, PieceKind::Offcut, 50, &offcuts, &parts, &areas);
        assert_eq!(again.offcuts, vec![4_000]);
    }

    #[test]
    fn two_orders_share_kerf_by_good_parts_and_failed_parts_stay_with_their_order() {
        let (a, b) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let parts = vec![
            CutShare { order: a, order_code: "O-1".into(), area2: 30, outcome: Outcome::Good },
            CutShare { order: b, order_code: "O-2".into(), area2: 10, outcome: Outcome::Good },
            CutShare { order: b, order_code: "O-2".into(), area2: 20, outcome: Outcome::Failed },
        ];
        let areas = Areas { parts2: 60, kerf2: 8, offcuts2: 0, scrap2: 32 };
        let shared = share(10_000, PieceKind::Sheet, 100, &[], &parts, &areas);
        assert_eq!(shared.charges[0].charge, Charge { parts: 3_000, kerf: 600, scrap: 2_400, markdown: 0, failed: 0 });
        assert_eq!(
            shared.charges[1].charge,
            Charge { parts: 1_000, kerf: 200, scrap: 800, markdown: 0, failed: 2_000 }
        );
        // No good part: by area planned.
        let failed: Vec<_> = parts.into_iter().map(|p| CutShare { outcome: Outcome::Failed, ..p }).collect();
        let shared = share(9_000, PieceKind::Sheet, 100, &[], &failed, &areas);
        assert_eq!(shared.charges.iter().map(|c| c.charge.total()).collect::<Vec<_>>(), vec![4_500, 4_500]);
    }

    proptest! {
        #[test]
        fn every_cent_is_shared(
            cost in 0i64..1_000_000_000_000,
            value in 0u8..=100,
            sheet: bool,
            offcuts in prop::collection::vec(1i64..6_000_000_000_000, 0..4),
            parts in prop::collection::vec((0u128..3, 1i64..6_000_000_000_000, 0usize..4), 1..6),
            kerf2 in 0i64..1_000_000_000, scrap2 in 0i64..1_000_000_000_000,
        ) {
            let kinds = [Outcome::Good, Outcome::Failed, Outcome::NotStarted, Outcome::HalfCut];
            let parts: Vec<_> = parts.into_iter().map(|(o, area2, k)| CutShare {
                order: Uuid::from_u128(o), order_code: format!("O-{o}"), area2, outcome: kinds[k],
            }).collect();
            let kept: Vec<_> = offcuts.iter().enumerate().map(|(i, a)| KeptOffcut { code: format!("{i}"), area2: *a }).collect();
            let parts2 = parts.iter().filter(|p| p.outcome.is_loose()).map(|p| p.area2).sum();
            let areas = Areas { parts2, kerf2, offcuts2: offcuts.iter().sum(), scrap2 };
            let kind = if sheet { PieceKind::Sheet } else { PieceKind::Offcut };
            let shared = share(cost, kind, value, &kept, &parts, &areas);
            let sum: i64 = shared.offcuts.iter().sum::<i64>() + shared.charges.iter().map(|c| c.charge.total()).sum::<i64>();
            prop_assert_eq!(sum, cost);
            prop_assert!(shared.charges.iter().all(|c| c.charge.total() >= 0));
        }
    }
}
