//! The TypeScript types of the door, generated from the Rust types so that screens cannot drift from it.

use ts_rs::{Config, TS};

use crate::action::{
    self, Clearance, DeliveryLine, Given, LeftoverChange, OtherGiven, PartMove, PartQuantity, StockSizeGiven, Upload,
};
use crate::answer;

/// The whole of `ui/src/lib/door.ts`: what each action takes and gives.
pub fn typescript() -> String {
    // Counts stay far below the whole numbers that a number of JSON holds exactly.
    let config = Config::default().with_large_int("number");
    let mut out = String::from(
        "// What goes in and out of the one door. Generated from the Rust types by `make types`: do not edit.\n\n",
    );
    let mut declare = |declaration: String| {
        out.push_str("export ");
        out.push_str(&declaration);
        out.push_str("\n\n");
    };
    declare(Upload::decl(&config));
    declare(Given::decl(&config));
    declare(PartQuantity::decl(&config));
    declare(Clearance::decl(&config));
    declare(StockSizeGiven::decl(&config));
    declare(DeliveryLine::decl(&config));
    declare(LeftoverChange::decl(&config));
    declare(PartMove::decl(&config));
    declare(OtherGiven::decl(&config));
    // What is left out of an action is as if it were empty: lists and switches too.
    let optional =
        |declaration: String| declaration.replace(": Array<", "?: Array<").replace(": boolean", "?: boolean");
    action::typescript_actions(&config).into_iter().map(optional).for_each(&mut declare);
    declare(answer::Cell::decl(&config));
    answer::typescript_answers(&config).into_iter().for_each(&mut declare);
    out.push_str(&action::typescript_map());
    out
}
