package web

import (
	"fmt"
	"testing"
	"time"

	"polard/mountmodel"
	"polard/mountmodel/sky"
	"polard/web/browsertest"
)

// TestPage opens the page in a headless Chromium with a fresh profile, a tab
// for each part.
func TestPage(t *testing.T) {
	if testing.Short() {
		t.Skip("browser tests take long")
	}
	browser := browsertest.Start(t)
	for _, part := range []struct {
		name string
		test func(*testing.T, *browsertest.Page)
	}{
		{"scenes", testScenes},
		{"steps of the set-up", testSteps},
		{"mounts", testMounts},
		{"buttons hold still", testButtonsHoldStill},
		{"sun", testSun},
		{"keyboard", testKeyboard},
		{"keyboard at work", testKeyboardAtWork},
		{"focus goes on", testFocusGoesOn},
		{"narrow", testNarrow},
		{"in sight", testInSight},
		{"stale", testStale},
		{"reconnect", testReconnect},
		{"reconnect, remembered", testReconnectRemembers},
		{"asleep", testAsleep},
		{"memories hang", testMemoriesHang},
		{"files lost at first", testFilesLostAtFirst},
		{"new version", testNewVersion},
		{"theme", testTheme},
		{"place", testPlace},
		{"typed and not kept", testUnsaved},
		{"angles as people write them", testAngles},
		{"access taken away", testTakenAway},
		{"frame left out", testFrameLeftOut},
		{"focus stays", testFocusStays},
		{"marks of the picture shown", testMarksOfThePicture},
		{"languages", testLanguages},
		{"sentences of the service", testServiceSentences},
		{"without the service", testWithoutService},
		{"result and night", testShare},
		{"remembered", testRemembered},
		{"rig", testRig},
		{"switches", testSwitches},
		{"equipment", testEquipment},
		{"events", testEvents},
		{"bolts keep their places", testBoltsKeepTheirPlaces},
		{"bolt report", testBoltReport},
		{"correction", testCorrection},
		{"sound", testSound},
		{"zoom", testZoom},
		{"two pages", testTwoPages},
		{"hostile names", testHostileNames},
	} {
		t.Run(part.name, func(t *testing.T) { part.test(t, browsertest.NewPage(t, browser)) })
	}
}

// tell has a session say a sentence.
func tell(v *mountmodel.View, code, text string, args ...any) {
	v.Instruction, v.Said = text, sky.Saying{Code: code, Args: args, Text: text}
}

// finished notes that the set-up is behind us, so that a page opens with the frames.
func finished(t *testing.T, s *running) {
	t.Helper()
	note := fmt.Sprintf(`{"began":%q,"done":{},"finished":true}`, time.Now().UTC().Format(time.RFC3339))
	if err := s.opt.Notes.SetNote(t.Context(), NoteSteps, []byte(note)); err != nil {
		t.Fatal(err)
	}
}

func publish(t *testing.T, s *running, state State) {
	t.Helper()
	if err := s.Publish(state); err != nil {
		t.Fatal(err)
	}
}
