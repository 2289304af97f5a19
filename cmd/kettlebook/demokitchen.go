package main

import (
	"context"
	"fmt"

	"github.com/google/uuid"

	sv "kettlebook/proto/kettlebook/service/v1"
	kb "kettlebook/proto/kettlebook/v1"
	"kettlebook/records"
)

// Everything here is invented: the kitchen, its people, its lots.

var demoSite = &kb.Site{
	Name: "Quillfeather Sugar Works", Address: "3 Pan Lane, Upper Brindle (invented)", ElevationM: dec("610"), Zone: "Europe/Vienna", DayStartsMin: 4 * 60,
	Profile: kb.RuleProfile_RULE_PROFILE_FOOD_CODE, Invented: true,
}

type demoPerson struct {
	person *kb.Person
	pin    string
}

var demoPeople = []demoPerson{
	{&kb.Person{Initials: "ŁW", PrintedName: "Łucja Wrzosek", Roles: []kb.Role{kb.Role_ROLE_REVIEWER, kb.Role_ROLE_ADMINISTRATOR}}, "290517"},
	{&kb.Person{Initials: "CØ", PrintedName: "Célia Ørnsted", Roles: []kb.Role{kb.Role_ROLE_COOK}}, "804162"},
	{&kb.Person{Initials: "TM", PrintedName: "Tobiah Marl", Roles: []kb.Role{kb.Role_ROLE_COOK}}, "375928"},
	{&kb.Person{Initials: "IP", PrintedName: "Ines Pallow", Roles: []kb.Role{kb.Role_ROLE_INSPECTOR}}, "619043"},
}

var demoInstruments = []*kb.Instrument{
	{InstrumentId: "K-1", Description: "thermistor probe", Construction: kb.Construction_CONSTRUCTION_THERMISTOR, Scale: kb.Scale_SCALE_CELSIUS, Division: dec("0.1"), Serial: "QF-1107"},
	{InstrumentId: "K-2", Description: "thermocouple with a hand display", Construction: kb.Construction_CONSTRUCTION_THERMOCOUPLE, Scale: kb.Scale_SCALE_FAHRENHEIT, Division: dec("0.1"), Serial: "QF-2093"},
	{InstrumentId: "K-3", Description: "dial on the small kettle", Construction: kb.Construction_CONSTRUCTION_BIMETAL, Scale: kb.Scale_SCALE_CELSIUS, Division: dec("1"), ReadTo: dec("0.5"), Serial: "QF-0031"},
	{InstrumentId: "R-1", Description: "platinum probe", Construction: kb.Construction_CONSTRUCTION_RESISTANCE, Scale: kb.Scale_SCALE_CELSIUS, Division: dec("0.01"), Serial: "QF-9001", Reference: true, Certificate: "invented 77/4", CertificateUC: dec("0.06"), CertificateCorrectionC: dec("-0.02")},
}

var demoFormulas = []*kb.Formula{
	{FormulaId: "FON", Version: 1, Name: "poured fondant", Limits: []*kb.Limit{solidsLimit(kb.LimitClass_LIMIT_CLASS_QUALITY, "114", "116")}, WaterFraction: dec("0.3")},
	{FormulaId: "NOU", Version: 1, Name: "hazelnut nougat syrup", Allergens: []string{"egg", "tree nut (hazelnut)"}, Limits: []*kb.Limit{solidsLimit(kb.LimitClass_LIMIT_CLASS_OPERATING, "124", "127")}, WaterFraction: dec("0.28")},
	{FormulaId: "BRI", Version: 1, Name: "sesame brittle", Allergens: []string{"sesame"}, Limits: []*kb.Limit{solidsLimit(kb.LimitClass_LIMIT_CLASS_OPERATING, "146", "152")}, WaterFraction: dec("0.25")},
	{FormulaId: "SAU", Version: 1, Name: "salted cream caramel sauce", Allergens: []string{"milk"}, CoolingRequired: true, WaterFraction: dec("0.2"), Limits: []*kb.Limit{{
		Name: "cook", Class: kb.LimitClass_LIMIT_CLASS_CRITICAL, Basis: kb.LimitBasis_LIMIT_BASIS_TEMPERATURE, Low: celsius("168"), High: celsius("178"), Reason: "the kitchen's plan"}}},
}

func solidsLimit(class kb.LimitClass, low, high string) *kb.Limit {
	return &kb.Limit{Name: "cook", Class: class, Basis: kb.LimitBasis_LIMIT_BASIS_SOLIDS, Low: celsius(low), High: celsius(high),
		EstablishedAt: kb.EstablishedAt_ESTABLISHED_AT_STANDARD, EstablishedOn: kb.EstablishedOn_ESTABLISHED_ON_BOOK}
}

// dec reads a number written in this file.
func dec(s string) *kb.Decimal {
	d, err := records.ParseDecimal(s)
	if err != nil {
		panic(err) // a constant of this file
	}
	return d
}

func celsius(s string) *kb.Temperature {
	d := dec(s)
	return &kb.Temperature{Micro: d.GetMicro(), Decimals: d.GetDecimals(), Unit: kb.TemperatureUnit_TEMPERATURE_UNIT_CELSIUS}
}

// furnishDemo enters the kitchen through the service as the machine's operator.
func furnishDemo(ctx context.Context, k *kitchen) error {
	c := k.operator
	if err := furnish(ctx, k, demoSite, nil, ""); err != nil {
		return err
	}
	for _, p := range demoPeople {
		if _, err := c.Kitchen.PutPerson(ctx, &sv.PutPersonRequest{RequestId: uuid.NewString(), Person: p.person}); err != nil {
			return err
		}
		if _, err := c.Session.SetPin(ctx, &sv.SetPinRequest{Initials: p.person.GetInitials(), NewPin: p.pin}); err != nil {
			return err
		}
	}
	for _, i := range demoInstruments {
		if _, err := c.Kitchen.PutInstrument(ctx, &sv.PutInstrumentRequest{RequestId: uuid.NewString(), Instrument: i}); err != nil {
			return fmt.Errorf("%s: %w", i.GetInstrumentId(), err)
		}
	}
	for _, f := range demoFormulas {
		if _, err := c.Kitchen.PutFormula(ctx, &sv.PutFormulaRequest{RequestId: uuid.NewString(), Formula: f}); err != nil {
			return fmt.Errorf("%s: %w", f.GetFormulaId(), err)
		}
		if _, err := c.Kitchen.ApproveFormula(ctx, &sv.ApproveFormulaRequest{RequestId: uuid.NewString(), Approval: &kb.FormulaApproval{FormulaId: f.GetFormulaId(), Version: 1}}); err != nil {
			return fmt.Errorf("%s: %w", f.GetFormulaId(), err)
		}
	}
	return nil
}
