"""The customers of a laboratory: one file for all jobs, and what a job takes from it."""

from __future__ import annotations

from itertools import combinations
from typing import Annotated

from pydantic import BeforeValidator, Field

from harness.files.checks import Findings
from harness.files.toml_text import Text
from harness.files.words import hint, shown
from harness.models import Job, an_interval
from harness.values import Model


class Customer(Model):
    """Whose units are verified."""

    called: str = Field(min_length=1, description="what jobs call the customer by, such as 'petrel'")
    name: str = Field(min_length=1, description="name, as the report has it")
    contact: str = Field("", description="address or contact, as the report has it")
    interval: Annotated[str, BeforeValidator(an_interval)] = Field(
        "", description="time until a unit of theirs is due again, where the job does not say: '12 months'"
    )


class Customers(Model):
    """The laboratory's customers."""

    customer: tuple[Customer, ...] = Field(
        min_length=1, description="whose units are verified, one [[customer]] table each"
    )


def check_customers(text: Text, customers: Customers) -> Findings:
    """Check a file of customers by itself."""
    notes = Findings(text)
    for (before, first), (place, second) in combinations(enumerate(customers.customer), 2):
        for key in ("called", "name"):
            if getattr(first, key).casefold() == getattr(second, key).casefold():
                line = text.lines.line(("customer", before, key))
                said = shown(getattr(second, key))
                notes.error(("customer", place, key), f"{said} stands in line {line}; expected it once")
    return notes


def with_customer(notes: Findings, job: Job, customers: Customers) -> Job:
    """The job with what the file has of its customer; what stands against it is noted."""
    known = {each.called: each for each in customers.customer} | {each.name: each for each in customers.customer}
    if job.customer not in known:
        calls = [each.called for each in customers.customer]
        notes.error(
            ("customer",), f"{shown(job.customer)} is not in {job.customers}{hint(job.customer, calls)}; add it there"
        )
        return job
    found = known[job.customer]
    if job.customer_contact and found.contact:
        notes.error(("customer_contact",), f"stands in {job.customers} too; expected it there alone")
    return job.model_copy(
        update={
            "customer": found.name,
            "customer_contact": found.contact or job.customer_contact,
            "interval": job.interval or found.interval,
        }
    )
