Profile: DaybindRecorder
Parent: Device
Id: recorder
Title: "Recorder"
Description: "One recorder: a device identifier and a serial number. To whom it is tied now; when and for how long is in the link."
* insert OwnIdentifier(https://daybind.example/devices)
* udiCarrier 1..1
* udiCarrier.deviceIdentifier 1..1
* udiCarrier.deviceIdentifier ^short = "Which model, as its issuer numbers it"
* udiCarrier.issuer 1..1
* udiCarrier.issuer ^short = "Who gives out such numbers: GS1, HIBCC or ICCBBA"
* udiCarrier.carrierAIDC ^short = "The scan, exactly"
* udiCarrier.carrierHRF ^short = "The scan as people read it"
* udiCarrier.entryType 1..1
* udiCarrier.entryType ^short = "Scanned (barcode) or typed (manual)"
* status 1..1
* status = #active
* manufactureDate ^short = "As the label says"
* expirationDate ^short = "As the label says; a device that is applied later is a gap"
* lotNumber ^short = "As the label says"
* serialNumber 1..1
* serialNumber ^short = "Which recorder of that model"
* type 1..1
* type.text 1..1
* patient ^short = "To whom it is tied now; left out where the reader may not know that patient"

Profile: DaybindLink
Parent: DeviceUseStatement
Id: link
Title: "Link"
Description: "A device tied to a patient for a period. A correction makes a new link and leaves the old one, entered in error."
* insert OwnIdentifier(https://daybind.example/links)
* extension contains LinkEndReason named endReason 0..1 and ReplacedLink named replaced 0..1
* extension[endReason] ^short = "Why it ended"
* extension[replaced] ^short = "The link, entered in error, that this one takes the place of"
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from LinkStatus (required)
* status ^short = "active while worn; completed when removed or returned; stopped when failed, lost or replaced"
* subject only Reference(Patient)
* derivedFrom 1..1
* derivedFrom only Reference(Procedure)
* derivedFrom ^short = "The application"
* timing[x] 1..1
* timing[x] only Period
* timingPeriod.extension contains AssumedEnd named assumedEnd 0..1
* timingPeriod.extension[assumedEnd] ^short = "Nobody stated the end: it is when the device came back"
* timingPeriod.start 1..1
* timingPeriod.start ^short = "When the recorder was switched on, to the second, with the offset that was stated"
* timingPeriod.end ^short = "When it came off, as stated; else when it came back"
* recordedOn 1..1
* recordedOn ^short = "When Daybind learned of it"
* bodySite ^short = "Where on the body, as stated"
* note ^short = "What was said at its end or at its correction"

Profile: DaybindApplication
Parent: Procedure
Id: application
Title: "Application"
Description: "The act of fitting the recorder."
* insert OwnIdentifier(https://daybind.example/procedures)
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from ApplicationStatus (required)
* code 1..1
* code.coding 1..*
* subject only Reference(Patient)
* performed[x] 1..1
* performed[x] only dateTime
* performed[x] ^short = "When the recorder was switched on"
* performer ^short = "Who applied it, where that was stated"
* bodySite ^short = "Where on the body, as stated"
* focalDevice 1..1
* focalDevice.manipulated only Reference(Device)
* focalDevice.manipulated ^short = "The recorder"

Profile: DaybindReadingTask
Parent: Task
Id: reading-task
Title: "Reading task"
Description: "What a reading service is asked to do for one link, and its answer. The reading service changes status, statusReason, businessStatus, output and note; an illegal step of the status is refused."
* insert OwnIdentifier(https://daybind.example/tasks)
* identifier ^short = "Names by which it is known; where it is sent, that of the delivery too"
* basedOn 1..1
* basedOn only Reference(ServiceRequest)
* basedOn ^short = "The order"
* status from ReadingTaskStatus (required)
* status ^short = "requested, received, accepted or rejected, in-progress, completed or failed; cancelled and entered-in-error are Daybind's"
* intent = #order
* code 1..1
* code from ReadingTaskCode (required)
* code ^short = "fulfill: read the recording; abort: stop the other Task"
* focus 1..1
* focus only Reference(ServiceRequest or Task)
* focus ^short = "The order; of an abort the Task that it is about"
* for 1..1
* for only Reference(Patient)
* authoredOn 1..1
* lastModified 1..1
* requester 1..1
* requester ^short = "Daybind"
* owner 1..1
* owner.identifier 1..1
* owner ^short = "The reading service, by its identifier"
* input 1..*
* input ^short = "The link, in an input whose type says link"
* output ^short = "What the reading service says that it made"

Profile: DaybindNotApplied
Parent: Provenance
Id: not-applied-record
Title: "No recorder was fitted"
Description: "Why no recorder was fitted at a visit. It stands beside the order, whose words are its source's; a reading service does not see it."
* extension contains NotAppliedDetails named details 0..1
* extension[details] ^short = "Day, new date and note, where there are any"
* target 1..1
* target only Reference(ServiceRequest)
* reason 1..1
* reason from not-applied (required)
* reason ^short = "Why"
* activity 1..1
* agent.who.identifier ^short = "The caller who recorded it"
