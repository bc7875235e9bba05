//! The orders in which a person may want the pieces that hold a part.

use sheetloft_fit as fit;
use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::state::Material;
use sheetloft_shapes::Shape;

use crate::error::Error;
use crate::material::Prices;
use crate::remains;
use crate::say;
use crate::shelf::Shelf;
use crate::shop::{Shop, filled, word};

/// In the orders that need to know what a cut leaves, so many of the smallest that hold the part are compared.
pub const COMPARED: usize = 50;

/// Which of the pieces that hold a part come first. Of equal ones the smallest does.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub enum Sort {
    /// The smallest.
    Smallest,
    /// Those of which, at today's price, least is used up: the piece less what is kept of it.
    Cheapest,
    /// Those that are in stock the longest.
    Oldest,
    /// Those of the lot whose measured thickness is nearest to this, µm; those never measured last.
    Thickness(i64),
    /// Those on which the most useful leftover stays: least is lost of the largest rectangle.
    Leftover,
}

impl Sort {
    /// Reads the word that a person gives, and the thickness wanted where it is not the material's.
    pub fn read(shop: &Shop, material: &Material, sort: Option<&str>, thickness: Option<&str>) -> Result<Self, Error> {
        let nominal = Self::Thickness(material.data.thickness_um);
        let words = [Self::Smallest, Self::Cheapest, Self::Oldest, nominal, Self::Leftover].map(|s| (s.word(), s));
        let sort = word(sort, &words, Self::Smallest, "sort")?;
        match filled(thickness) {
            None => Ok(sort),
            Some(text) if sort == nominal => Ok(Self::Thickness(shop.extent(text, "thickness")?)),
            Some(_) => Err(Error::bad(say!("error-thickness-unsorted")).at("thickness")),
        }
    }

    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Smallest => "smallest",
            Self::Cheapest => "cheapest",
            Self::Oldest => "oldest",
            Self::Thickness(_) => "thickness",
            Self::Leftover => "leftover",
        }
    }

    /// The rank of each piece on the shelf, where the order is one of the pieces alone.
    pub fn ranks(self, shelf: &Shelf) -> Option<Vec<i64>> {
        let key = |at: usize| -> i64 {
            match self {
                Self::Oldest => i64::try_from(shelf.born_ms(at)).unwrap_or(i64::MAX),
                Self::Thickness(wanted) => shelf.thickness_um(at).map_or(i64::MAX, |um| (um - wanted).abs()),
                Self::Smallest | Self::Cheapest | Self::Leftover => 0,
            }
        };
        if !matches!(self, Self::Oldest | Self::Thickness(_)) {
            return None;
        }
        let areas2 = shelf.index.areas2();
        let mut order: Vec<(i64, i64, usize)> = (0..areas2.len()).map(|at| (key(at), areas2[at], at)).collect();
        order.sort_unstable();
        let mut ranks = vec![0; order.len()];
        for (rank, (_, _, at)) in order.into_iter().enumerate() {
            ranks[at] = rank as i64;
        }
        Some(ranks)
    }

    /// The options of the engine for this order.
    pub fn ask(self, options: &mut fit::Options, top: usize) {
        options.top = Some(top);
        // Who asks for one alone wants it at once.
        options.nicest = usize::from(top > 1);
        match self {
            Self::Leftover => options.by_leftover = Some(COMPARED),
            Self::Cheapest => (options.top, options.nicest) = (Some(top.max(COMPARED)), COMPARED),
            Self::Smallest | Self::Oldest | Self::Thickness(_) => {}
        }
    }
}

/// The first `top` fits in order of what they use up, each with it; of equal ones those that come first.
pub fn by_use(
    fits: &[fit::Fit],
    top: usize,
    used: impl Fn(&fit::Fit) -> Result<i64, Error>,
) -> Result<Vec<(fit::Fit, i64)>, Error> {
    let mut all: Vec<(fit::Fit, i64)> = fits.iter().map(|f| Ok((*f, used(f)?))).collect::<Result<_, Error>>()?;
    all.sort_by_key(|(_, used)| *used);
    all.truncate(top);
    Ok(all)
}

/// What a fit uses up: the piece less what is kept of it, at today's price; by area where there is none. What is kept of
/// a full sheet counts as the offcut that it becomes.
pub fn used(
    found: &fit::Fit,
    part: &Shape,
    kerf_um: i64,
    shelf: &Shelf,
    material: &Material,
    prices: &Prices,
) -> Result<i64, Error> {
    let piece = shelf.piece(found.candidate)?;
    let Ok(lies) = part.placed(&found.placement) else { return Ok(i64::MAX) };
    let left = remains::of(&piece.shape, &[lies], kerf_um, material, fit::plan::Leave::Largest)?;
    let percent = match piece.kind {
        PieceKind::Sheet => i128::from(material.data.offcut_value_percent),
        PieceKind::Offcut => 100,
    };
    let kept2 = (i128::from(left.areas.offcuts2) * percent / 100) as i64;
    let used2 = piece.shape.area2() - kept2;
    Ok(prices.of(material, used2).unwrap_or(used2))
}
