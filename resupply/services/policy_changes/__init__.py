"""A change of policy: drafted, previewed, and applied to a million plans without anyone seeing half of it.

How it is applied. Plans are rows with an *edition* from which, and one until which, they are shown; one row
(`PlanEdition`) says which edition that is now, and every query for plans compares with it.

1. *Start*: one short transaction, alone with the policy (`plans.lock_policy`), names the draft as the one
   being staged. From then on whoever refreshes a patient's plan works it out twice, by the policy in force
   and by the one to come, and stores what differs beside it for the next edition (`plan_rows`).
2. *Stage*: the same for all patients whom the draft concerns, in committed batches of `BATCH` by
   patient. Readers see nothing of it: those rows begin with an edition that has not come.
3. *Switch*: one short transaction, alone with the policy, appends the version and raises the edition's
   number. With its commit every query sees all patients by the new policy, and the version on record.
4. *Tidy*: batches delete the rows that no edition shows any more, and make the calendars of those patients
   stale.

Why nobody sees half of it. A query has one snapshot; in it the number is the old or the new one, for all rows
alike, and for each line of a patient exactly one row is shown by either. A page of two queries can meet the
switch between them, as it can meet any other commit, and sees old rows above and new ones below: that is one
page load wide, not the length of the change. What is worked out from the versions (explanations, the checks
of a dispense) and what is stored in plans change in the same commit.

Why nothing is left behind. Writers of patients share the policy's lock, and take it before they read; *start*
and *switch* hold it alone. So a writer that knows nothing of the draft has committed before the first batch
reads, and batches see what it wrote; one that comes later stages its patient itself, whether that one's batch
has been or is to come, and patients that are new too. At the switch, therefore, each patient has a right plan
by either policy. Facts that become due with midnight are as right as ever: `PlanState` keeps the earlier of
both days, and a refresh works on both.

Why nobody waits long. A batch holds its patients for a fraction of a second; the lock that start and switch
need alone is asked for with a limit (`LOCK_WAIT`), so that edits queue behind it for no longer even where
some other transaction will not end.

Why it may be cut off anywhere. Each batch and its mark of progress (`PolicyRun`) are one transaction that
holds the run's row: two workers take turns, and a killed one leaves the next where it was. A draft that is
given up is tidied the other way. One change is applied at a time; the next waits until the last is tidied,
which workers do whatever became of its job (`tidy_left`).

Calendars are copies that programs fetch a few times a day: they follow with the tidying, patient by patient.
"""

from resupply.services.policy_changes.applying import apply_now, give_up, start, tidy_left, work_on
from resupply.services.policy_changes.drafting import Wanted, drop, make, make_void, revise
from resupply.services.policy_changes.previewing import ask_preview, preview

__all__ = [
    "Wanted",
    "apply_now",
    "ask_preview",
    "drop",
    "give_up",
    "make",
    "make_void",
    "preview",
    "revise",
    "start",
    "tidy_left",
    "work_on",
]
