//! Parts and whole ports as networks of `circuit`.

use circuit::{Netlist, Source, Table};
use num_complex::Complex64;

use crate::RemedyError;
use crate::networks::Cell;
use crate::parts::{Capacitor, CommonModeChoke, Model, Part};
use crate::port::{Place, PortModel, SourceModel, Stage};

/// Frequencies at which a part that is no sub-network is put into a table, Hz.
const TABLE_FROM_HZ: f64 = 1e3;
const TABLE_TO_HZ: f64 = 1e9;
const TABLE_PER_DECADE: f64 = 100.0;

fn table(z: impl Fn(f64) -> Complex64) -> Table {
    let n = ((TABLE_TO_HZ / TABLE_FROM_HZ).log10() * TABLE_PER_DECADE) as usize;
    let frequency_hz: Vec<f64> =
        (0..=n).map(|k| TABLE_FROM_HZ * (TABLE_TO_HZ / TABLE_FROM_HZ).powf(k as f64 / n as f64)).collect();
    let impedance_ohm = frequency_hz.iter().map(|f| z(*f)).collect();
    Table { frequency_hz, impedance_ohm }
}

fn add_capacitor(net: &mut Netlist, name: &str, a: &str, b: &str, c: &Capacitor) {
    let (m, n) = (format!("{name}.c"), format!("{name}.l"));
    net.capacitor(&format!("{name}.c"), a, &m, c.capacitance_f).inductor(&format!("{name}.esl"), &m, &n, c.esl_h);
    net.resistor(&format!("{name}.esr"), &n, b, c.esr_ohm.max(1e-9));
}

impl Part {
    /// Adds the part between two nodes: as R, L, C where it is a network of those, else as a table of its impedance.
    /// Elements are called `name.…`. Protectors come with their behaviour; for an AC analysis that is their capacitance.
    ///
    /// # Errors
    /// A part of more than two terminals.
    pub fn add_to(&self, net: &mut Netlist, name: &str, a: &str, b: &str) -> Result<(), RemedyError> {
        let inner = format!("{name}.m");
        match &self.model {
            Model::Capacitor(c) => add_capacitor(net, name, a, b, c),
            Model::Inductor(l) => {
                net.resistor(&format!("{name}.r"), a, &inner, l.resistance_ohm.max(1e-9))
                    .inductor(&format!("{name}.l"), &inner, b, l.inductance_h)
                    .capacitor(&format!("{name}.c"), a, b, l.winding_f)
                    .resistor(&format!("{name}.p"), a, b, l.loss_ohm);
            }
            Model::Resistor(r) => {
                net.resistor(&format!("{name}.r"), a, b, r.resistance_ohm);
            }
            Model::Varistor(v) => {
                let lead = lead(net, name, a, &inner, v.lead_h);
                let mut model = circuit::VaristorModel::new(v.volts_at_1_a, v.beta);
                model.parallel_f = v.capacitance_f;
                net.varistor(&format!("{name}.v"), &lead, b, model);
            }
            Model::AvalancheClamp(c) => {
                let lead = lead(net, name, a, &inner, c.lead_h);
                let mut model = circuit::ClampModel::new(c.breakdown_v, c.dynamic_ohm);
                model.parallel_f = c.capacitance_f;
                model.bidirectional = c.both_ways;
                net.clamp(&format!("{name}.d"), &lead, b, model);
            }
            Model::Ferrite(_) | Model::Measured(_) => {
                net.table_impedance(&format!("{name}.z"), a, b, table_of(self));
            }
            Model::GasTube(_) | Model::CommonModeChoke(_) | Model::InletFilter(_) => {
                return Err(RemedyError::part(
                    &self.id,
                    "kind",
                    self.value_text(),
                    "a part of two terminals without a memory of its own",
                ));
            }
        }
        Ok(())
    }
}

fn lead(net: &mut Netlist, name: &str, a: &str, inner: &str, lead_h: f64) -> String {
    if lead_h > 0.0 {
        net.inductor(&format!("{name}.lead"), a, inner, lead_h);
        inner.to_owned()
    } else {
        a.to_owned()
    }
}

fn table_of(part: &Part) -> Table {
    match &part.model {
        // A measured table is handed on as it is: no resampling, and no value outside.
        Model::Measured(m) => Table {
            frequency_hz: m.rows.iter().map(|r| r[0]).collect(),
            impedance_ohm: m.rows.iter().map(|r| Complex64::new(r[1], r[2])).collect(),
        },
        _ => table(|f| part.impedance_ohm(f)),
    }
}

/// Two coupled windings for the common mode (coupling 1: nothing for the differential mode) in series with two for the
/// differential mode (coupling −1: nothing for the common mode), each with its own loss and capacitance.
fn add_choke(net: &mut Netlist, name: &str, from: (&str, &str), to: (&str, &str), c: &CommonModeChoke) {
    let mid = (format!("{name}.l1"), format!("{name}.n1"));
    let far = (format!("{name}.l2"), format!("{name}.n2"));
    for (side, a, b, z) in [("l", from.0, &mid.0, &far.0), ("n", from.1, &mid.1, &far.1)] {
        net.inductor(&format!("{name}.{side}c"), a, b, c.inductance_h)
            .resistor(&format!("{name}.{side}cp"), a, b, 2.0 * c.loss_ohm)
            .capacitor(&format!("{name}.{side}cc"), a, b, c.winding_f / 2.0)
            .inductor(&format!("{name}.{side}d"), b, z, c.leakage_h / 4.0)
            .resistor(&format!("{name}.{side}dp"), b, z, c.leakage_loss_ohm / 2.0)
            .capacitor(&format!("{name}.{side}dc"), b, z, 2.0 * c.leakage_winding_f);
    }
    net.mutual(&format!("{name}.kc"), &format!("{name}.lc"), &format!("{name}.nc"), 1.0)
        .mutual(&format!("{name}.kd"), &format!("{name}.ld"), &format!("{name}.nd"), -1.0)
        .resistor(&format!("{name}.lr"), &far.0, to.0, c.resistance_ohm.max(1e-9))
        .resistor(&format!("{name}.nr"), &far.1, to.1, c.resistance_ohm.max(1e-9));
}

/// An impedance for the sum of both conductors' currents only.
fn add_common(net: &mut Netlist, name: &str, from: (&str, &str), to: (&str, &str), z: Table) {
    let sum = format!("{name}.sum");
    for (side, a, b) in [("l", from.0, to.0), ("n", from.1, to.1)] {
        let m = format!("{name}.{side}");
        net.voltage_source(&format!("{name}.{side}i"), a, &m, Source::dc(0.0))
            .vcvs(&format!("{name}.{side}v"), &m, b, (&sum, "0"), 1.0)
            .cccs(&format!("{name}.{side}f"), "0", &sum, &format!("{name}.{side}i"), 1.0);
    }
    net.table_impedance(&format!("{name}.z"), &sum, "0", z);
}

fn add_stage(
    net: &mut Netlist,
    name: &str,
    from: (&str, &str),
    to: (&str, &str),
    stage: &Stage,
) -> Result<(), RemedyError> {
    let through = |net: &mut Netlist| {
        net.resistor(&format!("{name}.wl"), from.0, to.0, 1e-6).resistor(&format!("{name}.wn"), from.1, to.1, 1e-6);
    };
    match (&stage.part.model, stage.place) {
        (Model::CommonModeChoke(c), _) => add_choke(net, name, from, to, c),
        (Model::InletFilter(f), _) => {
            if let Some(y) = &f.y {
                add_capacitor(net, &format!("{name}.y1"), from.0, "0", y);
                add_capacitor(net, &format!("{name}.y2"), from.1, "0", y);
            }
            if let Some(x) = &f.x_product {
                add_capacitor(net, &format!("{name}.xp"), from.0, from.1, x);
            }
            add_choke(net, &format!("{name}.t"), from, to, &f.choke);
            add_capacitor(net, &format!("{name}.xm"), to.0, to.1, &f.x_mains);
        }
        (_, Place::AcrossLines) => {
            through(net);
            stage.part.add_to(net, name, from.0, from.1)?;
        }
        (_, Place::EachLineToEarth) => {
            through(net);
            stage.part.add_to(net, &format!("{name}.1"), from.0, "0")?;
            stage.part.add_to(net, &format!("{name}.2"), from.1, "0")?;
        }
        (_, Place::InEachLine) => {
            stage.part.add_to(net, &format!("{name}.1"), from.0, to.0)?;
            stage.part.add_to(net, &format!("{name}.2"), from.1, to.1)?;
        }
        (_, Place::InOneLine) => {
            stage.part.add_to(net, name, from.0, to.0)?;
            net.resistor(&format!("{name}.wn"), from.1, to.1, 1e-6);
        }
        (_, Place::BothLines) => add_common(net, name, from, to, table_of(&stage.part)),
    }
    Ok(())
}

fn add_source(net: &mut Netlist, name: &str, a: &str, b: &str, s: &SourceModel) {
    let mut at = a.to_owned();
    let mut next = |net: &mut Netlist, what: &str, last: bool, value: f64| {
        let to = if last { b.to_owned() } else { format!("{name}.{what}n") };
        match what {
            "r" => net.resistor(&format!("{name}.r"), &at, &to, value),
            "l" => net.inductor(&format!("{name}.l"), &at, &to, value),
            _ => net.capacitor(&format!("{name}.c"), &at, &to, value),
        };
        at = to;
    };
    next(net, "r", s.capacitance_f.is_none() && s.inductance_h == 0.0, s.resistance_ohm.max(1e-9));
    if s.inductance_h > 0.0 {
        next(net, "l", s.capacitance_f.is_none(), s.inductance_h);
    }
    if let Some(c) = s.capacitance_f {
        next(net, "c", true, c);
    }
    if s.parallel_f > 0.0 {
        net.capacitor(&format!("{name}.p"), a, b, s.parallel_f);
    }
}

/// The ideal network impedance of one conductor, from terminal to earth: 50 Ω beside R + jωL.
fn add_network(net: &mut Netlist, port: &PortModel, name: &str, terminal: &str) {
    let (l, r) = port.network.elements();
    net.resistor(&format!("{name}.50"), terminal, "0", 50.0);
    if r > 0.0 {
        net.inductor(&format!("{name}.l"), terminal, &format!("{name}.m"), l).resistor(
            &format!("{name}.r"),
            &format!("{name}.m"),
            "0",
            r,
        );
    } else {
        net.inductor(&format!("{name}.l"), terminal, "0", l);
    }
}

/// A whole port in both conductors, driven in both modes at once: a differential source of 1 V of e.m.f. between the
/// inner conductors, a common one of `common_v` from earth to both, and the network at the nodes `line` and `neutral`.
///
/// Source impedances are the given ones of each mode; `stages` run from the inside to the terminals.
pub fn port_netlist(
    port: &PortModel,
    stages: &[Stage],
    differential: &SourceModel,
    common: &SourceModel,
    common_v: Complex64,
) -> Result<Netlist, RemedyError> {
    let mut net = Netlist::new();
    // The differential source is floating; the common one reaches both conductors through half of its impedance each way
    // of an ideal splitter, so that neither mode loads the other.
    net.voltage_source("v_common", "cm0", "0", Source::ac(common_v.norm(), common_v.arg().to_degrees()));
    add_source(&mut net, "zc", "cm0", "cm1", common);
    net.voltage_source("v_differential", "dm0", "n0", Source::ac(1.0, 0.0));
    add_source(&mut net, "zd", "dm0", "l0", differential);
    // Ideal splitter: v(cm1) = (v(l0) + v(n0))/2, and its current divided evenly.
    net.vcvs("e_mid1", "mid", "mid2", ("l0", "0"), 0.5).vcvs("e_mid2", "mid2", "0", ("n0", "0"), 0.5);
    net.voltage_source("v_sense", "cm1", "mid", Source::dc(0.0));
    net.cccs("f_l", "0", "l0", "v_sense", 0.5).cccs("f_n", "0", "n0", "v_sense", 0.5);
    let last = stages.len();
    for (i, stage) in stages.iter().enumerate() {
        let node = |k: usize, side: &str, name: &str| if k == last { name.to_owned() } else { format!("{side}{k}") };
        let (l, n) = (node(i, "l", "line"), node(i, "n", "neutral"));
        let (l2, n2) = (node(i + 1, "l", "line"), node(i + 1, "n", "neutral"));
        add_stage(&mut net, &format!("s{i}"), (&l, &n), (&l2, &n2), stage)?;
    }
    if stages.is_empty() {
        net.resistor("wl", "l0", "line", 1e-6).resistor("wn", "n0", "neutral", 1e-6);
    }
    add_network(&mut net, port, "anl", "line");
    add_network(&mut net, port, "ann", "neutral");
    Ok(net)
}

/// One conductor's cell of an artificial network between the product's terminal and the supply node, its receiver at
/// `{name}.rx`.
pub fn add_cell(net: &mut Netlist, name: &str, terminal: &str, supply: &str, cell: &Cell) {
    let n = |s: &str| format!("{name}.{s}");
    net.inductor(&n("l1"), terminal, &n("a"), cell.main_h)
        .resistor(&n("rl1"), &n("a"), &n("b"), cell.main_ohm.max(1e-9))
        .resistor(&n("r2"), &n("b"), &n("c"), cell.node_ohm.max(1e-9))
        .capacitor(&n("c2"), &n("c"), "0", cell.node_f);
    match cell.supply_h {
        Some(l) => net.inductor(&n("l2"), &n("b"), supply, l),
        None => net.resistor(&n("w"), &n("b"), supply, 1e-6),
    };
    if let Some(c) = cell.supply_f {
        net.resistor(&n("r1"), supply, &n("d"), cell.supply_ohm.max(1e-9)).capacitor(&n("c1"), &n("d"), "0", c);
    }
    net.capacitor(&n("c3"), terminal, &n("rx"), cell.coupling_f)
        .resistor(&n("r3"), &n("rx"), "0", cell.receiver_ohm)
        .resistor(&n("r4"), &n("rx"), "0", cell.bleeder_ohm);
}

/// A solver's refusal in this room's words.
pub(crate) fn refused(e: &circuit::CircuitError) -> RemedyError {
    RemedyError::Network(e.to_string())
}
