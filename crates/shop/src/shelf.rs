//! The free pieces of a material as the search for fits takes them: signatures in memory, shapes fetched where wanted.

use sheetloft_fit::{Candidate, Index, Signature, Stock};
use sheetloft_ledger::body::PieceKind;
use sheetloft_ledger::state::Piece;
use sheetloft_shapes::Shape;
use sheetloft_store::{PieceFilter, Signer, Snapshot, StockRow, StoreError};
use std::borrow::Cow;
use std::collections::{HashMap, HashSet};
use uuid::Uuid;

use crate::door::Job;
use crate::error::Error;
use crate::find::grain_within;
use crate::shop::Shop;

/// How signatures of pieces are worked out.
pub const SIGNER: Signer = Signer {
    version: Signature::VERSION,
    of: |shape: &Shape, flaws: &[Shape]| Signature::of(shape, flaws).to_bytes().to_vec(),
};

/// The free pieces of a material, as they were when this was loaded.
pub struct Shelf {
    snapshot: Snapshot,
    /// Their signatures, each at the position of its piece.
    pub index: Index,
    pieces: Vec<Uuid>,
    lots: Vec<Option<Uuid>>,
    born_ms: Vec<u64>,
    /// Measured, by lot.
    thickness_um: HashMap<Uuid, i64>,
}

impl Shelf {
    /// Loads what is free of a material; of its offcuts alone unless `sheets` are wanted too. Signatures that are
    /// missing or of another version are worked out first, which can be cancelled. Parts may lie off the grain by so
    /// many microdegrees.
    /// Of pieces that belong to customers, only those of `owner` are there.
    pub fn load(
        shop: &mut Shop,
        material: Uuid,
        sheets: bool,
        off_grain_udeg: i64,
        owner: Option<&str>,
        job: &Job,
    ) -> Result<Self, Error> {
        sign(shop, Some(material), |done, of| {
            job.report(done, of);
            !job.is_cancelled()
        })?;
        let snapshot = shop.store.snapshot()?;
        let mut index = Index::new();
        let (mut pieces, mut lots, mut born_ms) = (Vec::new(), Vec::new(), Vec::new());
        let mut unsigned = Vec::new();
        let kind = if sheets { None } else { Some(PieceKind::Offcut) };
        let owned = match owner {
            None => HashSet::new(),
            Some(owner) => owned_by(shop, material, owner)?,
        };
        snapshot.read(|reader| {
            reader.stock(material, kind, |row: StockRow<'_>| {
                if row.owned && !owned.contains(&row.piece) {
                    return;
                }
                let signature = Signature::from_bytes(row.signature);
                unsigned.extend(signature.is_err().then_some(pieces.len()));
                pieces.push(row.piece);
                lots.push(row.lot);
                born_ms.push(row.born_ms);
                let grain = row.grain_udeg.map(|udeg| grain_within(udeg, off_grain_udeg));
                index.push(&signature.unwrap_or_else(|_| Signature::unknown(row.area2)), grain);
            })
        })?;
        let measured = snapshot.read(|reader| reader.lots())?;
        let thickness_um = measured.into_iter().filter_map(|lot| Some((lot.id, lot.thickness_um?))).collect();
        let mut shelf = Self { snapshot, index, pieces, lots, born_ms, thickness_um };
        shelf.sign_here(&unsigned, job)?;
        Ok(shelf)
    }

    /// One of the pieces, whole.
    pub fn piece(&self, at: usize) -> Result<Piece, StoreError> {
        let missing = || StoreError::Damaged { what: "a piece of the stock is missing".to_owned() };
        let id = *self.pieces.get(at).ok_or_else(missing)?;
        self.snapshot.piece(id)?.ok_or_else(missing)
    }

    /// The code of one of the pieces.
    pub fn code(&self, at: usize) -> Result<String, StoreError> {
        let code = self.pieces.get(at).map(|id| self.snapshot.read(|reader| reader.piece_code(*id)));
        Ok(code.transpose()?.flatten().unwrap_or_default())
    }

    /// When one of the pieces came into stock, ms.
    pub fn born_ms(&self, at: usize) -> u64 {
        self.born_ms.get(at).copied().unwrap_or(u64::MAX)
    }

    /// The measured thickness of the lot of one of the pieces, µm.
    pub fn thickness_um(&self, at: usize) -> Option<i64> {
        self.thickness_um.get(&(*self.lots.get(at)?)?).copied()
    }

    /// The largest of the pieces.
    pub fn largest(&self) -> Result<Option<Piece>, StoreError> {
        let areas = self.index.areas2().iter().enumerate();
        areas.max_by_key(|(_, area2)| **area2).map(|(at, _)| self.piece(at)).transpose()
    }

    /// Works out signatures for this one question, where they cannot be kept.
    fn sign_here(&mut self, unsigned: &[usize], job: &Job) -> Result<(), Error> {
        if unsigned.is_empty() {
            return Ok(());
        }
        let mut index = Index::new();
        let mut done = 0;
        for (at, (signature, grain)) in self.index.iter().enumerate() {
            let wanted = unsigned.get(done) == Some(&at);
            done += usize::from(wanted);
            if !wanted || job.is_cancelled() {
                index.push(&signature, grain);
                continue;
            }
            job.report(done, unsigned.len());
            let candidate = self.candidate(at)?;
            index.push(&Signature::of(&candidate.shape, &candidate.flaws), grain);
        }
        self.index = index;
        Ok(())
    }
}

impl Stock for Shelf {
    type Error = StoreError;

    fn candidate(&self, at: usize) -> Result<Candidate<'_>, StoreError> {
        let piece = self.piece(at)?;
        let flaws = piece.flaws.into_iter().map(|f| f.shape).collect();
        Ok(Candidate { shape: Cow::Owned(piece.shape), flaws: Cow::Owned(flaws) })
    }
}

/// The free pieces of a material that belong to a customer.
fn owned_by(shop: &Shop, material: Uuid, owner: &str) -> Result<HashSet<Uuid>, Error> {
    let filter = PieceFilter { material: Some(material), statuses: vec!["free"], ..PieceFilter::default() };
    let pieces = shop.read().pieces(&filter)?;
    Ok(pieces.into_iter().filter(|p| p.owner.is_some() && p.is_for(Some(owner))).map(|p| p.id).collect())
}

/// Works out and keeps the signatures that the shop file lacks, of a material's pieces or of all, as after an update of
/// the program, or where many came at once from another device. `each` is told how many are done of how many, and says
/// whether to go on.
pub fn sign(shop: &mut Shop, material: Option<Uuid>, mut each: impl FnMut(usize, usize) -> bool) -> Result<(), Error> {
    if shop.store.is_read_only() {
        return Ok(());
    }
    let first = shop.store.sign(material)?;
    let mut left = first;
    while left > 0 && each(first - left, first) {
        let before = left;
        left = shop.store.sign(material)?;
        if left >= before {
            break;
        }
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::action::{Action, Init, MaterialAdd, StockImport};
    use crate::door::{Door, upload};
    use crate::host::Machine;
    use crate::shop::Lookup;

    #[test]
    fn what_was_not_worked_out_may_hold_anything_and_is_worked_out_where_it_can() {
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("shop.db");
        let door = Door::new(&file);
        let act = |action: Action| door.act(&action, &Job::default()).unwrap();
        act(Action::Init(Init::default()));
        let name = "M".to_owned();
        act(Action::MaterialAdd(MaterialAdd { name, thickness: "3".to_owned(), ..MaterialAdd::default() }));
        let line = |w: u32, flaws: &str| {
            format!(r#"{{"material": "M", "outline": [[0,0],[{w},0],[{w},90],[0,90]], "grain_deg": null{flaws}}}"#)
        };
        let flaw = r#", "flaws": [{"outline": [[5,5],[20,5],[20,20]]}]"#;
        let lines = [line(100, ""), line(200, flaw), line(300, "")].join("\n");
        act(Action::StockImport(StockImport { file: upload("stock.jsonl", lines.as_bytes()) }));

        let mut shop = Shop::open(&file, &mut Machine::default()).unwrap();
        let material = shop.read().find_material("M").unwrap().id;
        let all = |shelf: &Shelf| shelf.index.iter().collect::<Vec<_>>();
        let loaded = Shelf::load(&mut shop, material, false, 0, None, &Job::default()).unwrap();
        let right: Vec<_> = (0..3)
            .map(|at| {
                let candidate = loaded.candidate(at).unwrap();
                (Signature::of(&candidate.shape, &candidate.flaws), None)
            })
            .collect();
        assert_eq!(all(&loaded), right);

        // As where the file cannot be written, and nothing is signed in it.
        shop.store.rebuild().unwrap();
        let snapshot = shop.store.snapshot().unwrap();
        let unsigned = Signature::unknown(right[0].0.area2);
        let mut shelf = Shelf {
            snapshot,
            index: Index::new(),
            pieces: Vec::new(),
            lots: Vec::new(),
            born_ms: Vec::new(),
            thickness_um: HashMap::new(),
        };
        shelf
            .snapshot
            .read(|reader| {
                reader.stock(material, None, |row| {
                    shelf.pieces.push(row.piece);
                    shelf.index.push(&Signature::unknown(row.area2), None);
                })
            })
            .unwrap();
        assert_eq!(shelf.index.get(0), Some((unsigned, None)));
        let cancelled = Job::default();
        cancelled.cancel();
        shelf.sign_here(&[0, 1, 2], &cancelled).unwrap();
        assert_eq!(shelf.index.get(0), Some((unsigned, None)), "it may hold anything");
        shelf.sign_here(&[1, 2], &Job::default()).unwrap();
        assert_eq!(all(&shelf)[1..], right[1..]);
        assert_eq!(shelf.index.get(0), Some((unsigned, None)));

        assert_eq!(all(&Shelf::load(&mut shop, material, false, 0, None, &Job::default()).unwrap()), right);
        assert_eq!(shelf.largest().unwrap().unwrap().code, shelf.code(2).unwrap());
    }
}
