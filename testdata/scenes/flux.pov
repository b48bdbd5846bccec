#version 3.7;
// A reworked IC. After=0: amber flux left all round it. After=1: washed.
#include "bench.inc"
#include "board.inc"
Cam(<-6, 27, -27>, <0, 0.3, -0.3>, 38, <-0.5, 0.9, -3>, 1.9)
Studio(50, 0.95, 0.35)
Mat(-8, <0.20, 0.34, 0.46>, 0, 0.6)
BoardStart(-32, -28, 32, 36, <0.04, 0.22, 0.40>, 52)
Ic(0, 0, 0, 20, 1.27, 7.4, 2.3, "HLD 7331", "K 1120")
R0805(-11.5, -3, 90, "103") R0805(-11.5, 2, 90, "103") C0805(11.5, -3.2, 90) C0805(11.5, 2, 90) C1206(-4, 10, 0) R1206(3, 10, 0, "472") R0805(-6, -10.5, 0, "220") R0805(-1.5, -10.5, 0, "220") C0805(3, -10.5, 0) C0805(7.5, -10.5, 0)
Ic(-16, 14, 0, 8, 1.27, 4.2, 1.6, "H 5532", "2240") Ic(17, 14, 0, 14, 1.27, 4.2, 1.6, "OT 084", "2219")
Cap(-19, -6, 0, 3.2, 8, <0.10,0.11,0.12>, <0.72,0.72,0.70>, "47uF", "35V", 0, 0)
Header(18, -8, 90, 4)
Silk(9, 7.6, "U9", 1.2, 0) Silk(-14, -0.5, "R41", 1.0, 90) Silk(0.8, -12.4, "R44", 1.0, 0) Silk(14.2, -0.5, "C30", 1.0, 90)
Route(80)
#if (After = 0)
  blob { threshold 0.45
    #local rs = seed(9); #local i = 0;
    #while (i < 54)
      #local s = 0.8+rand(rs)*1.0;
      sphere { 0, 1, 0.8 scale <s*1.1, 0.25+rand(rs)*0.5, s> translate <-6.2+i*0.235+rand(rs)*0.4, 0.08, -5.0-rand(rs)*1.5> }
      #if (mod(i,2)) sphere { 0, 1, 0.8 scale <s, 0.25+rand(rs)*0.4, s> translate <-6+i*0.22, 0.08, 5.0+rand(rs)*1.3> } #end
      #local i = i+1;
    #end
    #local i = 0;
    #while (i < 16)
      #local s = 0.9+rand(rs)*1.2; #local e = (i < 10 ? 1 : -1);
      sphere { 0, 1, 0.8 scale <s, 0.2+rand(rs)*0.3, s> translate <e*(6.6+rand(rs)*2.2), 0.05, -4.5+rand(rs)*8> }
      #local i = i+1;
    #end
    sphere { 0, 1, 0.9 scale <2.2, 0.5, 1.7> translate <-3.5, 0.1, -7.2> } sphere { 0, 1, 0.9 scale <1.5, 0.4, 1.9> translate <3.9, 0.1, -7.4> }
    material { M_Flux } }
  // burnt specks in it
  #local i = 0; #while (i < 26) sphere { <-6+rand(rs)*12, 0.25+rand(rs)*0.2, -6.6+rand(rs)*1.8>, 0.05+rand(rs)*0.08 texture { T_Soot } } #local i = i+1; #end
#end
