//! The trade itself: events, the rules that allow them, the state they add up to, money.
