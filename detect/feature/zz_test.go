package feature
import ("testing";"os";"fmt";"diastole/model/pump")
func TestZZ(t *testing.T){
 for _,c:=range []condition{{"generic-three-inch","",0},{"generic-three-inch",pump.AirValveLeak,1},{"generic-two-inch","",0},{"generic-one-inch",pump.CheckValveLeak,1},{"generic-one-inch",pump.AirValveSticking,1},{"generic-quarter-inch",pump.CheckValveLeak,1}}{
  x:=traceOf(t,c.model,c.fault,c.size,20,1)
  f,_:=os.Create("/tmp/zz-"+c.model+"-"+string(c.fault)+".txt")
  for i:=range x.inlet{fmt.Fprintln(f,x.inlet[i],x.discharge[i])}
  fmt.Fprintln(f,"#",x.edges)
  f.Close()
 }
}
