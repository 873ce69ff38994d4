//! The host's side of the boundary with plugins that are made here. What is right is defined by the boundary alone, so
//! no outside reference applies.

use stillair_api::abi::{prefix, raw};
use stillair_api::{Description, Facts, Fault, FaultKind, Method, Node, Outcome, Parameters, Plugin, Shape};
use stillair_engine::host::{HOST, through_table};

struct Panics(bool);

impl Method for Panics {
    fn describe(&self) -> Description {
        assert!(!self.0, "no words for it");
        Description::new("test.panics", Shape::Transform, "panics when it is made")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        panic!("not in the mood");
    }
}

struct Refuses;

impl Method for Refuses {
    fn describe(&self) -> Description {
        Description::new("test.refuses", Shape::Transform, "says no")
    }

    fn create(&self, _parameters: &Parameters, _facts: &Facts) -> Outcome<Node> {
        Err(Fault::data("there is no planet — nowhere").remedy("look up"))
    }
}

fn plugin(method: impl Method + 'static) -> Plugin {
    Plugin { id: "test", version: "1", methods: vec![Box::new(method)] }
}

#[test]
fn a_panic_in_describe_refuses_the_plugin_with_its_words() {
    let fault = through_table(plugin(Panics(true))).err().expect("refused");
    assert!(fault.message.contains("describe: panicked: no words for it"), "{fault}");
}

#[test]
fn a_panic_and_a_fault_cross_with_their_words() {
    let crossed = through_table(plugin(Panics(false))).expect("crosses");
    let fault = crossed.methods[0].create(&Parameters::default(), &Facts::default()).err().expect("fails");
    assert_eq!(fault.kind, FaultKind::Internal);
    assert!(fault.message.contains("panicked: not in the mood"), "{fault}");

    let crossed = through_table(plugin(Refuses)).expect("crosses");
    let fault = crossed.methods[0].create(&Parameters::default(), &Facts::default()).err().expect("fails");
    assert_eq!(fault, Fault::data("there is no planet — nowhere").remedy("look up"));
}

#[test]
fn what_a_host_lacks_is_zero_and_what_it_has_more_is_not_read() {
    // A host of the first revision has no `reserve`.
    let mut old = HOST;
    old.size = std::mem::offset_of!(raw::Host, reserve);
    // SAFETY: a host's table whose size is true.
    #[allow(unsafe_code)]
    let seen = unsafe { prefix::read(&raw const old, "the host") }.expect("is read");
    assert!(seen.reserve.is_none() && seen.extension.is_some());
    old.size = std::mem::offset_of!(raw::Host, extension);
    // SAFETY: as above.
    #[allow(unsafe_code)]
    let short = unsafe { prefix::read(&raw const old, "the host") };
    assert!(short.is_err_and(|f| f.message.contains("the host says it has")));
}
