//! `count`, `pull` and `rack` on the command line.

use clap::Subcommand;
use sheetloft_shop::action::{self, Action};
use sheetloft_shop::answer::{
    CountAnswer, CountNextAnswer, CountSeenAnswer, CountsAnswer, MoveManyAnswer, PullAnswer, RackShowAnswer,
    RacksAnswer, ScanPhotoAnswer,
};
use sheetloft_shop::say;

use crate::text::{headings, list, or_dash, table};

#[derive(Subcommand, Clone, Debug)]
pub enum CountCommand {
    /// Begin to count racks, or help with a count that goes on.
    Start {
        /// The racks' names.
        #[arg(required = true)]
        racks: Vec<String>,
    },
    /// These labels were read there.
    Seen {
        /// The rack that is counted.
        rack: String,
        /// What was read off the labels.
        #[arg(required = true)]
        codes: Vec<String>,
    },
    /// Let a count rest.
    Pause {
        /// The rack's name.
        rack: String,
    },
    /// Go on with a count.
    Resume {
        /// The rack's name.
        rack: String,
    },
    /// Settle one difference.
    Settle {
        /// The rack that is counted.
        rack: String,
        /// A piece's code, or the text that was no code.
        what: String,
        /// here, elsewhere, gone, seen, found, label or leave
        #[arg(long = "as", value_name = "HOW")]
        how: String,
        /// With elsewhere: the rack where it stands.
        #[arg(long, value_name = "RACK")]
        to: Option<String>,
        /// With label: the piece that the label was for.
        #[arg(long, value_name = "CODE")]
        piece: Option<String>,
        /// The reason, for the history.
        #[arg(long)]
        why: Option<String>,
    },
    /// Finish a count: what is missing, what was not expected.
    Finish {
        /// The rack's name.
        rack: String,
    },
    /// A count that goes on, or the last one of the rack.
    Show {
        /// The rack's name.
        rack: String,
    },
    /// The counts that go on, and the last one of every other rack.
    List,
    /// Which rack to count next.
    Next,
}

impl CountCommand {
    pub fn action(&self) -> Action {
        match self.clone() {
            Self::Start { racks } => action::CountStart { racks }.into(),
            Self::Seen { rack, codes } => action::CountSeen { rack, codes }.into(),
            Self::Pause { rack } => action::CountPause { rack, resume: false }.into(),
            Self::Resume { rack } => action::CountPause { rack, resume: true }.into(),
            Self::Settle { rack, what, how, to, piece, why } => {
                action::CountSettle { rack, what, how, to, piece, why }.into()
            }
            Self::Finish { rack } => action::CountFinish { rack }.into(),
            Self::Show { rack } => action::CountShow { rack }.into(),
            Self::List => action::CountList {}.into(),
            Self::Next => action::CountNext {}.into(),
        }
    }
}

#[derive(Subcommand, Clone, Debug)]
pub enum RackCommand {
    /// Add a rack, or a bay or slot of one.
    Add {
        /// The name.
        name: String,
        /// The rack that it is a bay or slot of.
        #[arg(long, value_name = "RACK")]
        within: Option<String>,
        /// How wide and high it is.
        #[arg(long, value_name = "WxH")]
        size: Option<String>,
        /// A note.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
    },
    /// Say how a rack measures, whose bay or slot it is, what is to be known about it.
    Describe {
        /// The rack's name.
        rack: String,
        /// The rack that it is a bay or slot of.
        #[arg(long, value_name = "RACK")]
        within: Option<String>,
        /// How much room there is: length by width.
        #[arg(long, value_name = "WxH")]
        size: Option<String>,
        /// A note.
        #[arg(long, value_name = "TEXT")]
        note: Option<String>,
        /// size, note or within: not said any more.
        #[arg(long, value_name = "FIELD")]
        clear: Vec<String>,
    },
    /// What is on a rack.
    Show {
        /// The rack's name.
        rack: String,
    },
    /// The racks.
    List,
}

impl RackCommand {
    pub fn action(&self) -> Action {
        match self.clone() {
            Self::Add { name, within, size, note } => action::RackAdd { name, within, size, note }.into(),
            Self::Describe { rack, within, size, note, clear } => {
                action::RackDescribe { rack, within, size, note, clear }.into()
            }
            Self::Show { rack } => action::RackShow { rack }.into(),
            Self::List => action::RackList {}.into(),
        }
    }
}

pub fn racks(a: &RacksAnswer) -> String {
    if a.racks.is_empty() {
        return say!("cli-no-racks").text() + "\n";
    }
    let rows: Vec<_> = a.racks.iter().map(|r| vec![r.name.clone(), r.pieces.to_string()]).collect();
    table(&headings(say!("cli-head-racks").text()), &rows)
}

pub fn rack(a: &RackShowAnswer) -> String {
    let kg = a.weight_kg.map_or_else(|| "—".to_owned(), |kg| format!("{kg:.1}"));
    let size = a.rack.size.map_or_else(|| "—".to_owned(), |[w, h]| format!("{w} × {h}"));
    let mut text = say!("cli-rack", rack = &a.rack.name, count = a.pieces.len(), kg = kg, size = size).text() + "\n";
    text += &a.rack.note.iter().map(|note| format!("{note}\n")).collect::<String>();
    if !a.pieces.is_empty() {
        let row = |p: &sheetloft_shop::answer::PieceRow| {
            vec![
                p.piece.clone(),
                or_dash(&p.rack),
                p.kind.clone(),
                p.material.clone(),
                p.size.clone(),
                p.status.clone(),
            ]
        };
        text += &table(&headings(say!("cli-head-rack").text()), &a.pieces.iter().map(row).collect::<Vec<_>>());
    }
    if !a.biggest.is_empty() {
        let codes: Vec<String> = a.biggest.iter().map(|p| format!("{} ({})", p.piece, p.size)).collect();
        text += &(say!("cli-rack-biggest", pieces = codes.join(", ")).text() + "\n");
    }
    if !a.too_large.is_empty() {
        text += &(say!("cli-rack-too-large", pieces = a.too_large.join(", ")).text() + "\n");
    }
    text
}

pub fn moved(a: &MoveManyAnswer) -> String {
    let mut text = say!("cli-moved-many", count = a.moved.len(), rack = &a.rack).text() + "\n";
    if !a.there_already.is_empty() {
        text += &(say!("cli-moved-there", pieces = a.there_already.join(", ")).text() + "\n");
    }
    if !a.too_large.is_empty() {
        text += &(say!("cli-rack-too-large", pieces = a.too_large.join(", ")).text() + "\n");
    }
    text
}

pub fn counts(a: &CountsAnswer) -> String {
    if a.counts.is_empty() {
        return say!("cli-no-counts").text() + "\n";
    }
    a.counts.iter().map(line).collect()
}

fn line(a: &CountAnswer) -> String {
    say!(
        "cli-count",
        rack = &a.rack,
        state = &a.state,
        expected = a.expected,
        seen = a.seen,
        missing = a.missing.len(),
        unexpected = a.unexpected.len(),
        unknown = a.unknown.len(),
    )
    .text()
        + "\n"
}

pub fn count(a: &CountAnswer) -> String {
    let mut text = line(a);
    let rows: Vec<_> = a
        .rows
        .iter()
        .filter(|r| r.what != "seen" || r.settled.is_some())
        .map(|r| {
            vec![
                r.what.clone(),
                r.text.clone(),
                or_dash(&r.material),
                or_dash(&r.size),
                or_dash(&r.rack),
                or_dash(&r.cost),
                or_dash(&r.settled_text),
            ]
        })
        .collect();
    if !rows.is_empty() {
        text += &table(&headings(say!("cli-head-count").text()), &rows);
    }
    if a.rows.iter().any(|r| r.settled.as_deref() == Some("gone")) {
        text += &(say!("cli-count-written-off", sum = &a.written_off).text() + "\n");
    }
    text
}

pub fn seen(a: &CountSeenAnswer) -> String {
    let mut text = String::new();
    for read in &a.read {
        text += &(read.text.clone() + "\n");
        if !read.near.is_empty() {
            text += &(say!("cli-near", codes = read.near.join(", ")).text() + "\n");
        }
    }
    text + &line(&a.count)
}

pub fn next(a: &CountNextAnswer) -> String {
    if a.racks.is_empty() {
        return say!("cli-no-racks").text() + "\n";
    }
    let row = |r: &sheetloft_shop::answer::CountNextRow| vec![r.rack.clone(), r.pieces.to_string(), r.text.clone()];
    table(&headings(say!("cli-head-count-next").text()), &a.racks.iter().map(row).collect::<Vec<_>>())
}

pub fn pull(a: &PullAnswer) -> String {
    let mut text = a.text.iter().map(|t| format!("{t}\n")).collect::<String>();
    if a.left.is_empty() {
        return text + &say!("cli-pull-all", plan = &a.plan).text() + "\n";
    }
    let rows: Vec<_> = a
        .left
        .iter()
        .map(|p| {
            let kg = p.weight_kg.map_or_else(|| "—".to_owned(), |kg| format!("{kg:.1}"));
            vec![or_dash(&p.rack), p.piece.clone(), p.material.clone(), p.size.clone(), kg]
        })
        .collect();
    text += &table(&headings(say!("cli-head-pull").text()), &rows);
    text + &list(&a.cautions)
}

pub fn photo(a: &ScanPhotoAnswer) -> String {
    if a.found.is_empty() {
        return say!("cli-photo-none").text() + "\n";
    }
    a.found.iter().map(|f| format!("{}\n", f.scan.text)).collect()
}
