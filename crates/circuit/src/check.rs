use crate::error::NetlistError;
use crate::netlist::Netlist;

pub(crate) fn check(net: &Netlist) -> Result<(), NetlistError> {
    let _ = net;
    Ok(())
}
