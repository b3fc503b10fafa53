Invariant: order-1
Description: "The order has a placer number: an identifier of type PLAC, or one with a system."
Severity: #error
Expression: "identifier.where(value.exists() and (system.exists() or type.coding.where(system = 'http://terminology.hl7.org/CodeSystem/v2-0203' and code = 'PLAC').exists())).exists()"

Invariant: patient-1
Description: "The patient has an identifier with a system and a value: without one nobody can be told apart."
Severity: #error
Expression: "identifier.where(system.exists() and value.exists()).exists()"

Profile: DaybindOrder
Parent: ServiceRequest
Id: order
Title: "Order"
Description: "A monitoring order as a source sends it. Daybind stores it once for each source and placer number, and keeps what it does not know."
* obeys order-1
* identifier 1..*
* identifier ^short = "Placer number: the identifier of type PLAC, else the one in the source's configured system, else the only one with a system"
* status ^short = "A link needs an active order; revoked and entered-in-error end it"
* intent ^short = "A link needs an order or something finer; a proposal or a plan is kept and asks for no recorder"
* doNotPerform = false
* doNotPerform ^short = "Absent or false: Daybind takes orders to do something"
* code 1..1
* code from MonitoringOrders (example)
* code ^short = "What the source's configuration says that its monitoring orders are coded with; these two by default"
* code.coding 1..*
* subject only Reference(Patient)
* subject ^short = "The patient: in the same Bundle, known by id, or named by an identifier"
* occurrence[x] only dateTime or Period or Timing
* occurrence[x] ^short = "Day of the visit and wear: a period, the bounds of a timing, or a moment with the site's usual wear; without it no visit is waited for"
* meta.tag ^short = "An order that a clinic wrote itself has the tag by-hand of our code system origin"
* authoredOn ^short = "When it was ordered"
* locationReference ^short = "The site, by identifier; absent: the source's usual site"

Profile: DaybindLinkedOrder
Parent: DaybindOrder
Id: linked-order
Title: "Order as it is sent"
Description: "The order as reading services get it with its link: in its source's words, with Daybind's own identifier besides."
* insert OwnIdentifier(https://daybind.example/orders)

Profile: DaybindPatient
Parent: Patient
Id: patient
Title: "Patient"
Description: "The patient of an order, in the words of its source. Two independent identifiers must agree with it before a device is linked."
* obeys patient-1
* identifier 1..*
* identifier ^short = "Numbers of the patient, each with its system; one kind of identifier for each system"
* active ^short = "A link to an inactive patient is warned about"
* name ^short = "Family and given name together are one kind of identifier"
* telecom ^short = "A telephone number is one kind of identifier, compared by its digits"
* birthDate ^short = "One kind of identifier where it is whole; a year alone agrees with nothing"
* link ^short = "A patient that was replaced in the chart is warned about"
