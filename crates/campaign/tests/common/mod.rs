//! A product that the tests share: 230 V, single-phase, earthed, in industry.

use campaign::{Answers, PortAnswers};
use standards::{Family, Place, Port};

/// A port with an unscreened cable indoors.
pub(crate) fn port(id: &str, kind: Port, cable_length_m: Option<f64>) -> PortAnswers {
    PortAnswers {
        id: id.to_owned(),
        name: id.to_owned(),
        kind,
        cable_length_m,
        screened: Some(false),
        outdoors: Some(false),
        dc_network: None,
        dc_adaptor: None,
    }
}

/// Everything answered; housing, mains and these ports beside.
pub(crate) fn product(environment: Place, internal_hz: f64, more: &[PortAnswers]) -> Answers {
    let mut ports = vec![port("housing", Port::Enclosure, None), port("mains", Port::AcMains, Some(2.0))];
    ports.extend_from_slice(more);
    Answers {
        family: Some(Family::Generic),
        environment: Some(environment),
        markets: vec!["EU".to_owned()],
        mains_v: Some(230.0),
        current_a: Some(1.0),
        phases: Some(1),
        earthed: Some(true),
        magnetic_parts: Some(true),
        electronics: Some(true),
        highest_internal_frequency_hz: Some(internal_hz),
        highest_clock_hz: Some(internal_hz),
        ports,
    }
}
