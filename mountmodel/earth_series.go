// The numbers below are taken from ERFA, whose notice follows.
//
// Copyright (C) 2013-2021, NumFOCUS Foundation.
// All rights reserved.
//
// This library is derived, with permission, from the International
// Astronomical Union's "Standards of Fundamental Astronomy" library,
// available from http://www.iausofa.org.
//
// The ERFA version is intended to retain identical functionality to
// the SOFA library, but made distinct through different function and
// file names, as set out in the SOFA license conditions.  The SOFA
// original has a role as a reference standard for the IAU and IERS,
// and consequently redistribution is permitted only in its unaltered
// state.  The ERFA version is not subject to this restriction and
// therefore can be included in distributions which do not support the
// concept of "read only" software.
//
// Although the intent is to replicate the SOFA API (other than
// replacement of prefix names) and results (with the exception of
// bugs;  any that are discovered will be fixed), SOFA is not
// responsible for any errors found in this version of the library.
//
// If you wish to acknowledge the SOFA heritage, please acknowledge
// that you are using a library derived from SOFA, rather than SOFA
// itself.
//
// TERMS AND CONDITIONS
//
// Redistribution and use in source and binary forms, with or without
// modification, are permitted provided that the following conditions
// are met:
//
// 1 Redistributions of source code must retain the above copyright
// notice, this list of conditions and the following disclaimer.
//
// 2 Redistributions in binary form must reproduce the above copyright
// notice, this list of conditions and the following disclaimer in
// the documentation and/or other materials provided with the
// distribution.
//
// 3 Neither the name of the Standards Of Fundamental Astronomy Board,
// the International Astronomical Union nor the names of its
// contributors may be used to endorse or promote products derived
// from this software without specific prior written permission.
//
// THIS SOFTWARE IS PROVIDED BY THE COPYRIGHT HOLDERS AND CONTRIBUTORS
// "AS IS" AND ANY EXPRESS OR IMPLIED WARRANTIES, INCLUDING, BUT NOT
// LIMITED TO, THE IMPLIED WARRANTIES OF MERCHANTABILITY AND FITNESS
// FOR A PARTICULAR PURPOSE ARE DISCLAIMED.  IN NO EVENT SHALL THE
// COPYRIGHT HOLDER OR CONTRIBUTORS BE LIABLE FOR ANY DIRECT, INDIRECT,
// INCIDENTAL, SPECIAL, EXEMPLARY, OR CONSEQUENTIAL DAMAGES (INCLUDING,
// BUT NOT LIMITED TO, PROCUREMENT OF SUBSTITUTE GOODS OR SERVICES;
// LOSS OF USE, DATA, OR PROFITS; OR BUSINESS INTERRUPTION) HOWEVER
// CAUSED AND ON ANY THEORY OF LIABILITY, WHETHER IN CONTRACT, STRICT
// LIABILITY, OR TORT (INCLUDING NEGLIGENCE OR OTHERWISE) ARISING IN
// ANY WAY OUT OF THE USE OF THIS SOFTWARE, EVEN IF ADVISED OF THE
// POSSIBILITY OF SUCH DAMAGE.

package mountmodel

// Made by testdata/erfa/make_series.py from ERFA 2.0.0; not to be edited by hand.

// sunToEarth is the way from the Sun to the Earth by component (x, y, z
// of the ecliptic of J2000.0) and power of time: {amplitude in au, phase in
// radians, frequency in radians per Julian year}.
var sunToEarth = [3][3][]harmonic{
	{
		{
			{0.9998292878132, 1.753485171504, 6.283075850446},
			{0.008352579567414, 1.710344404582, 12.56615170089},
			{0.005611445335148, 0.0, 0.0},
			{0.0001046664295572, 1.66722541677, 18.84922755134},
			{3.110842534677e-05, 0.6687513390251, 83.99684731857},
			{2.137207845781e-05, 1.092330954011, 1.577343543434},
			{1.680240182951e-05, 0.4955366134987, 6.279552690824},
			{1.679012370795e-05, 6.153014091901, 6.286599010068},
			{1.445526946777e-05, 3.472744100492, 2.352866153506},
			{1.091038246184e-05, 3.689845786119, 5.223693906222},
			{9.344399733932e-06, 6.073934645672, 12.03646072878},
			{8.993182910652e-06, 3.175705249069, 10.21328554739},
			{6.844146703035e-06, 1.30696409975, 5.753384878334},
			{6.815396474414e-06, 2.218229211267, 4.705732307012},
			{6.112787253053e-06, 5.384788425458, 6.812766822558},
			{5.469839049386e-06, 1.461440311134, 14.14349524433},
			{5.205264083477e-06, 4.432944696116, 7.86041939388},
			{2.558950271319e-06, 2.265471086404, 12.1680026819},
			{1.554475925257e-06, 1.624110906816, 25.13230340178},
			{2.00017634546e-06, 4.072093298513, 17.78984560711},
			{8.587037089179e-07, 3.024307223119, 167.2837615881},
		},
		{
			{5.150068824701e-07, 6.002664557501, 12.56615170089},
		},
		{},
	},
	{
		{
			{0.9998921098898, 0.1826583913846, 6.283075850446},
			{-0.02442700893735, 0.0, 0.0},
			{0.008352929742915, 0.139527799868, 12.56615170089},
			{0.0001046697300177, 0.09641423109763, 18.84922755134},
			{3.110841876663e-05, 5.381140401712, 83.99684731857},
			{2.14738962361e-05, 2.66251086985, 1.577343543434},
			{1.68034438405e-05, 5.207904119704, 6.279552690824},
			{1.679117312193e-05, 4.582187486968, 6.286599010068},
			{1.44051206844e-05, 1.900688517726, 2.352866153506},
			{1.135139664999e-05, 5.273108538556, 5.223693906222},
			{9.345482571018e-06, 4.503047687738, 12.03646072878},
			{9.007418719568e-06, 1.605621059637, 10.21328554739},
			{6.393470057114e-06, 6.029224133855, 5.753384878334},
			{6.814275881697e-06, 0.6472990145974, 4.705732307012},
			{6.113705628887e-06, 3.8138434197, 6.812766822558},
			{5.51492748018e-06, 3.961257833388, 5.507553240374},
			{5.463153987424e-06, 6.173092454097, 14.14349524433},
			{5.071611859329e-06, 2.870244247651, 7.86041939388},
			{2.559088003308e-06, 0.6945321117311, 12.1680026819},
			{1.55451879139e-06, 0.05331008042713, 25.13230340178},
			{2.000617940427e-06, 2.50142628145, 17.78984560711},
			{8.587034651234e-07, 1.453511005668, 167.2837615881},
		},
		{
			{5.150715570663e-07, 4.431807116294, 12.56615170089},
		},
		{},
	},
	{
		{
			{2.796207639075e-06, 3.198701560209, 84.33466158131},
		},
		{
			{2.278290449966e-06, 3.413716033863, 6.283075850446},
		},
		{},
	},
}

// barycentreToSun is the way from the solar-system barycentre to the Sun by component (x, y, z
// of the ecliptic of J2000.0) and power of time: {amplitude in au, phase in
// radians, frequency in radians per Julian year}.
var barycentreToSun = [3][3][]harmonic{
	{
		{
			{0.00495675753641, 3.741073751789, 0.5296909721118},
			{0.002718490072522, 4.016011511425, 0.2132990797783},
			{0.001546493974344, 2.170528330642, 0.0381329181312},
			{0.0008366855276341, 2.339614075294, 0.0747816656905},
			{0.0002936777942117, 0.0, 0.0},
			{0.0001201317439469, 4.090736353305, 1.059381944224},
			{7.57855088723e-05, 3.24151808814, 0.4265981595566},
		},
		{},
		{},
	},
	{
		{
			{0.004955392320126, 2.170467313679, 0.5296909721118},
			{0.002722325167392, 2.444433682196, 0.2132990797783},
			{0.001546579925346, 0.5992779281546, 0.0381329181312},
			{0.0008363140252966, 0.7687356310801, 0.0747816656905},
			{0.0003385792683603, 0.0, 0.0},
			{0.0001201192221613, 2.520035601514, 1.059381944224},
			{7.587125720554e-05, 1.669954006449, 0.4265981595566},
		},
		{},
		{},
	},
	{
		{
			{0.0001127777651095, 0.4169146331296, 0.5296909721118},
		},
		{},
		{},
	},
}
