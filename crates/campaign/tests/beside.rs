//! Two standards side by side. Levels: IEC 61000-6-1 and -6-2, from memory as their rows say, and as several public test
//! reports print them.

mod common;

use campaign::{Answers, Beside, BesideRow, Harder, beside, plan};
use common::{port, product};
use standards::{Family, Place, Port, RuleBase, Side};

fn sample() -> Answers {
    product(Place::Residential, 48e6, &[port("a", Port::SignalControl, Some(50.0))])
}

fn made(left: Option<&str>, right: &str) -> Beside {
    beside(&sample(), RuleBase::embedded(), left, right).unwrap()
}

fn row<'a>(b: &'a Beside, port: &str, test: &str) -> &'a BesideRow {
    b.rows.iter().find(|r| r.port_name == port && r.test == test).unwrap_or_else(|| panic!("{port} {test}: {b:?}"))
}

#[test]
fn residential_beside_industrial_is_the_known_difference() {
    let b = made(None, "61000-6-2");
    assert_eq!(b.left.len(), 1, "{:?}", b.left);
    assert!(b.left[0].contains("61000-6-1") && b.right[0].contains("61000-6-2"));
    // 3 against 10 V/m, 1 against 2 kV, 4 kV alike.
    let field = row(&b, "housing", "radio-frequency field");
    assert_eq!(field.harder, Harder::Right);
    assert!(field.differs.iter().any(|d| d == "field strength 3 against 10 V/m"), "{:?}", field.differs);
    assert_eq!(row(&b, "mains", "fast transient burst").harder, Harder::Right);
    assert_eq!(row(&b, "housing", "electrostatic discharge").harder, Harder::Same);
    // Surges on a long signal line are asked for in industry only.
    assert_eq!(row(&b, "a", "surge").harder, Harder::OnlyRight);
    // Half a cycle at 0 % is asked for at home, 40 % over ten cycles in industry.
    assert!(b.rows.iter().all(|r| r.harder != Harder::OnlyLeft || r.test == "voltage dip"), "{}", b.sentence);
}

#[test]
fn every_test_of_either_side_stands_in_one_row() {
    for (left, right) in
        [(None, "household"), (None, "industrial"), (Some("61000-6-2"), "61326"), (Some("cispr35"), "en50130-4")]
    {
        let b = made(left, right);
        let mut ids: Vec<&str> =
            b.rows.iter().flat_map(|r| [&r.left, &r.right]).flatten().map(|t| t.id.as_str()).collect();
        let all = ids.len();
        ids.sort_unstable();
        ids.dedup();
        // A standard of both sides (mains quality) stands on both.
        assert!(all - ids.len() <= b.rows.iter().filter(|r| r.left.is_some() && r.right.is_some()).count());
        assert!(
            b.rows
                .iter()
                .all(|r| (r.harder == Harder::Same) == r.differs.is_empty() || r.left.is_none() || r.right.is_none())
        );
        assert!(!b.rows.is_empty());
        for r in b.rows.iter().filter(|r| r.left.is_some() && r.right.is_some()) {
            let (x, y) = (r.left.as_ref().unwrap(), r.right.as_ref().unwrap());
            assert_eq!((&x.port, x.phenomenon, x.side), (&y.port, y.phenomenon, y.side));
        }
    }
    // All of the product's own plan is there beside another family.
    let own = plan(&sample(), RuleBase::embedded());
    let b = made(None, "household");
    assert_eq!(b.rows.iter().filter(|r| r.left.is_some()).count(), own.tests.len());
    // Beside itself nothing differs.
    assert!(made(None, "generic").rows.iter().all(|r| r.harder == Harder::Same));
    assert!(made(Some("61326"), "iec61326").rows.iter().all(|r| r.harder == Harder::Same));
}

#[test]
fn a_standard_of_one_side_is_held_against_that_side_only() {
    let b = made(None, "61326");
    assert!(b.rows.iter().flat_map(|r| [&r.left, &r.right]).flatten().all(|t| t.side == Side::Immunity));
    // Of its tables the one of the product's surroundings.
    let industrial = Answers { environment: Some(Place::Industrial), ..sample() };
    let b = beside(&industrial, RuleBase::embedded(), Some("61000-6-2"), "61326").unwrap();
    assert!(b.rows.iter().filter_map(|r| r.right.as_ref()).all(|t| t.standard == "iec61326-1-industrial"));
    let household = Answers { family: Some(Family::Household), ..sample() };
    assert!(beside(&household, RuleBase::embedded(), None, "generic").unwrap().rows.len() > 5);
    let error = beside(&sample(), RuleBase::embedded(), None, "boat").unwrap_err().to_string();
    assert!(error.contains("`boat`") && error.contains("household") && error.contains("cispr35"), "{error}");
}

/// The average limit of CISPR 14-1 on the mains begins at 59 dBuV at 150 kHz, that of IEC 61000-6-3 at 56 (from memory, as
/// their rows say); the quasi-peak limits are the same. Industry may send
/// out 10 dB more at 10 m below 230 MHz (40 against 30 dBuV/m, common knowledge of every test report).
#[test]
fn limits_are_compared_by_their_levels() {
    let b = made(None, "household");
    let mains = row(&b, "mains", "conducted emission");
    assert!(mains.differs.iter().any(|d| d == "limits of the left up to 3.0 dB lower"), "{:?}", mains.differs);
    let b = made(None, "industrial");
    let field = row(&b, "housing", "radiated emission");
    assert_eq!(field.harder, Harder::Left);
    assert!(field.differs.iter().any(|d| d == "limits of the left up to 10.0 dB lower"), "{:?}", field.differs);
    // A dip to 0 % is not paired with one to 40 %.
    let b = made(None, "household");
    let rest = |t: &campaign::PlannedTest| t.level.iter().find(|l| l.quantity == "residual_voltage").map(|l| l.value);
    for r in b.rows.iter().filter(|r| r.test == "voltage dip") {
        if let (Some(x), Some(y)) = (&r.left, &r.right) {
            assert_eq!(rest(x), rest(y));
        }
    }
}
