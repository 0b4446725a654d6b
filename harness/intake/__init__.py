"""Intake of new chips: a guided session, its journal, the pin check, and the record of a chip."""

from harness.intake.asking import Ask as Ask
from harness.intake.bench import IntakeMeans as IntakeMeans
from harness.intake.journal import Journal as Journal
from harness.intake.journal import JournalHeading as JournalHeading
from harness.intake.order import IntakePlan as IntakePlan
from harness.intake.order import load_plan as load_plan
from harness.intake.record import ChipIntake as ChipIntake
from harness.intake.session import MAX_WRONG_ANSWERS as MAX_WRONG_ANSWERS
from harness.intake.session import Intake as Intake
from harness.intake.session import Questioner as Questioner
from harness.intake.sitting import Left as Left
from harness.intake.sitting import begin as begin
from harness.intake.sitting import changed_error as changed_error
from harness.intake.sitting import check_store as check_store
from harness.intake.sitting import files_of as files_of
from harness.intake.sitting import find_left as find_left
from harness.intake.sitting import give_up as give_up
from harness.intake.sitting import lock_names as lock_names
from harness.intake.sitting import overlapping as overlapping
from harness.intake.sitting import read_journals as read_journals
from harness.intake.steps import Result as Result
from harness.intake.steps import StepResult as StepResult
from harness.intake.steps import title_of as title_of
