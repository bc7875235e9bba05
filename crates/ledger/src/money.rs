//! Money: whole minor units, the currency's decimals, and the one way to split a sum.

use num_bigint::BigInt;
use serde::{Deserialize, Serialize};

use crate::limits;

/// A currency: its ISO 4217 letters and how many decimals its amounts have.
#[derive(Clone, PartialEq, Eq, Debug, Serialize, Deserialize)]
pub struct Currency {
    /// Three capital letters, ISO 4217.
    pub code: String,
    /// Decimals of an amount: 0 (JPY), 2 (EUR) or 3 (KWD).
    pub decimals: u8,
}

/// Why a text is not money.
#[derive(Clone, PartialEq, Eq, Debug, thiserror::Error)]
#[allow(missing_docs)]
pub enum MoneyError {
    #[error("'{text}' is not a sum of money")]
    NotANumber { text: String },
    #[error("'{text}' has more than {decimals} decimals")]
    TooFine { text: String, decimals: u8 },
    #[error("'{text}' is too large a sum")]
    TooLarge { text: String },
    #[error("'{text}' is not a currency code of three letters")]
    NotACurrency { text: String },
}

impl Currency {
    /// The currency with these letters. Decimals follow ISO 4217's minor units (from memory); 2 where the
    /// code is not one of the exceptions.
    pub fn new(code: &str) -> Result<Self, MoneyError> {
        let code = code.trim().to_ascii_uppercase();
        if code.len() != 3 || !code.bytes().all(|b| b.is_ascii_uppercase()) {
            return Err(MoneyError::NotACurrency { text: code });
        }
        let decimals = match code.as_str() {
            "BIF" | "CLP" | "DJF" | "GNF" | "ISK" | "JPY" | "KMF" | "KRW" | "PYG" | "RWF" | "UGX" | "VND" | "VUV"
            | "XAF" | "XOF" | "XPF" => 0,
            "BHD" | "IQD" | "JOD" | "KWD" | "LYD" | "OMR" | "TND" => 3,
            _ => 2,
        };
        Ok(Self { code, decimals })
    }

    /// Reads `41.50` or `41,5` as minor units.
    pub fn parse(&self, text: &str) -> Result<i64, MoneyError> {
        let shown = || text.trim().chars().take(40).collect::<String>();
        let bad = || MoneyError::NotANumber { text: shown() };
        let plain = text.trim().replace(',', ".");
        let (negative, digits) = match plain.strip_prefix('-') {
            Some(rest) => (true, rest),
            None => (false, plain.as_str()),
        };
        let (whole, fraction) = digits.split_once('.').unwrap_or((digits, ""));
        let all_digits = |s: &str| s.bytes().all(|b| b.is_ascii_digit());
        if !all_digits(whole) || !all_digits(fraction) || (whole.is_empty() && fraction.is_empty()) {
            return Err(bad());
        }
        let fraction = fraction.trim_end_matches('0');
        if fraction.len() > usize::from(self.decimals) {
            return Err(MoneyError::TooFine { text: shown(), decimals: self.decimals });
        }
        let padded = format!("{whole}{fraction:0<width$}", width = usize::from(self.decimals));
        let minor: i64 = padded
            .trim_start_matches('0')
            .parse()
            .or_else(|_| if padded.bytes().all(|b| b == b'0') { Ok(0) } else { Err(()) })
            .map_err(|()| MoneyError::TooLarge { text: shown() })?;
        if minor > limits::MONEY_MINOR {
            return Err(MoneyError::TooLarge { text: shown() });
        }
        Ok(if negative { -minor } else { minor })
    }

    /// Writes minor units as a decimal number with exactly the currency's decimals: `41.50`.
    pub fn format(&self, minor: i64) -> String {
        let scale = 10_u64.pow(u32::from(self.decimals));
        let sign = if minor < 0 { "-" } else { "" };
        let abs = minor.unsigned_abs();
        match self.decimals {
            0 => format!("{sign}{abs}"),
            d => format!("{sign}{}.{:0>width$}", abs / scale, abs % scale, width = usize::from(d)),
        }
    }
}

/// One receiver of a split: its exact share is `weight / Σ weights`, ties go to the lowest `key`.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Receiver {
    /// Ties in the remainder go to the lowest key (a code).
    pub key: String,
    /// The exact weight; at least 0.
    pub weight: BigInt,
}

impl Receiver {
    /// A receiver from its key and weight.
    pub fn new(key: impl Into<String>, weight: impl Into<BigInt>) -> Self {
        Self { key: key.into(), weight: weight.into() }
    }
}

/// Splits `sum` over the receivers by exact fractions, largest remainder first, ties to the lowest key.
/// The parts add up to `sum`. With no weight at all everything goes to the lowest key; with no receivers
/// the result is empty. A negative sum is split as its positive, then negated.
pub fn split(sum: i64, receivers: &[Receiver]) -> Vec<i64> {
    if receivers.is_empty() {
        return Vec::new();
    }
    if sum < 0 {
        return split(-sum, receivers).into_iter().map(|x| -x).collect();
    }
    let zero = BigInt::from(0);
    let total: BigInt = receivers.iter().map(|r| &r.weight).sum();
    let mut order: Vec<usize> = (0..receivers.len()).collect();
    if total <= zero {
        let mut parts = vec![0; receivers.len()];
        order.sort_by(|&a, &b| receivers[a].key.cmp(&receivers[b].key));
        parts[order[0]] = sum;
        return parts;
    }
    let mut parts = Vec::with_capacity(receivers.len());
    let mut remainders = Vec::with_capacity(receivers.len());
    let mut left = sum;
    for r in receivers {
        let product = &r.weight * sum;
        let whole = i64::try_from(&product / &total).unwrap_or(sum);
        remainders.push(product % &total);
        left -= whole;
        parts.push(whole);
    }
    order.sort_by(|&a, &b| {
        remainders[b].cmp(&remainders[a]).then_with(|| receivers[a].key.cmp(&receivers[b].key)).then(a.cmp(&b))
    });
    for &i in order.iter().take(usize::try_from(left).unwrap_or(0)) {
        parts[i] += 1;
    }
    parts
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn eur() -> Currency {
        Currency::new("EUR").unwrap()
    }

    #[test]
    fn reads_and_writes_each_number_of_decimals() {
        assert_eq!(eur().parse("41.50"), Ok(4150));
        assert_eq!(eur().parse("41,5"), Ok(4150));
        assert_eq!(eur().parse("41.500"), Ok(4150));
        assert_eq!(eur().parse(".05"), Ok(5));
        assert_eq!(eur().parse("0"), Ok(0));
        assert_eq!(eur().parse("-3"), Ok(-300));
        assert_eq!(eur().format(-5), "-0.05");
        assert_eq!(Currency::new("JPY").unwrap().parse("1200"), Ok(1200));
        assert_eq!(Currency::new("JPY").unwrap().format(1200), "1200");
        assert_eq!(Currency::new("KWD").unwrap().parse("1.5"), Ok(1500));
        assert_eq!(Currency::new("KWD").unwrap().format(1500), "1.500");
    }

    #[test]
    fn refuses_what_is_not_money() {
        for text in ["", ".", "x", "1.2.3", "1e3", "NaN", "1.234", "--1", "99999999999999999999"] {
            assert!(eur().parse(text).is_err(), "{text}");
        }
        assert!(Currency::new("EURO").is_err());
    }

    #[test]
    fn splits_a_joint_cost_by_sales_value() {
        // Source: open accounting textbook, joint cost 20 000 by sales value at split-off: 8 000 / 12 000.
        let parts = split(2_000_000, &[Receiver::new("a", 10_000 * 200), Receiver::new("b", 20_000 * 150)]);
        assert_eq!(parts, vec![800_000, 1_200_000]);
    }

    #[test]
    fn ties_go_to_the_lowest_key() {
        let parts = split(100, &[Receiver::new("c", 1), Receiver::new("a", 1), Receiver::new("b", 1)]);
        assert_eq!(parts, vec![33, 34, 33]);
    }

    proptest! {
        #[test]
        fn a_split_sums_and_is_within_one_unit(sum in 0i64..1_000_000_000_000, weights in prop::collection::vec(0u64..3_000_000_000_000, 1..9)) {
            let receivers: Vec<_> = weights.iter().enumerate().map(|(i, w)| Receiver::new(format!("{i}"), *w)).collect();
            let parts = split(sum, &receivers);
            prop_assert_eq!(parts.iter().sum::<i64>(), sum);
            let total: u128 = weights.iter().map(|w| u128::from(*w)).sum();
            if total > 0 {
                for (part, weight) in parts.iter().zip(&weights) {
                    let exact = BigInt::from(sum) * BigInt::from(*weight);
                    let low = BigInt::from(*part - 1) * BigInt::from(total);
                    let high = BigInt::from(*part + 1) * BigInt::from(total);
                    prop_assert!(low < exact && exact < high);
                }
            }
        }

        #[test]
        fn format_then_parse_is_identity(minor in -1_000_000_000_000i64..1_000_000_000_000, code in prop::sample::select(vec!["EUR", "JPY", "KWD"])) {
            let currency = Currency::new(code).unwrap();
            prop_assert_eq!(currency.parse(&currency.format(minor)), Ok(minor));
        }
    }
}
